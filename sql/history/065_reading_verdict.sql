-- purpose: for every statement of running hours whether it is believed, and if not, why.
-- grain: one row a reading
-- inputs: reading, running_hours, set_aside_reading
-- parameters: hours_a_day
-- output: reading_id, machine_id, moment, tenths, meter_hours, source, kept, reason ('' when kept)
WITH line AS (
    SELECT machine_id, at_seconds, reading_id, tenths, CAST(NULL AS BIGINT) AS seq FROM reading
    UNION ALL
    SELECT machine_id, at_seconds, NULL, NULL, seq FROM running_hours
),
placed AS (
    SELECT
        *,
        MAX(seq) OVER (
            PARTITION BY machine_id ORDER BY at_seconds, CASE WHEN seq IS NULL THEN 1 ELSE 0 END
            ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ) AS last_seq
    FROM line
),
compared AS (
    SELECT
        placed.reading_id,
        placed.tenths,
        placed.at_seconds,
        earlier.tenths AS earlier_tenths,
        earlier.at_seconds AS earlier_seconds,
        later.tenths AS later_tenths,
        later.at_seconds AS later_seconds,
        -- A day's work is what two statements of one day may differ by.
        CAST($hours_a_day * 10 AS BIGINT) AS slack
    FROM placed
    LEFT JOIN running_hours AS earlier ON earlier.machine_id = placed.machine_id AND earlier.seq = placed.last_seq
    LEFT JOIN running_hours AS later
        ON later.machine_id = placed.machine_id AND later.seq = COALESCE(placed.last_seq, 0) + 1
    WHERE placed.reading_id IS NOT NULL
),
judged AS (
    SELECT
        compared.reading_id,
        CASE
            WHEN tenths < earlier_tenths - CASE WHEN set_aside_reading.reading_id IS NULL THEN slack ELSE 0 END
                THEN 'below an earlier reading'
            WHEN tenths > later_tenths + CASE WHEN set_aside_reading.reading_id IS NULL THEN slack ELSE 0 END
                THEN 'above a later reading'
            WHEN tenths > earlier_tenths + slack + (at_seconds - earlier_seconds) * $hours_a_day * 10 / 86400.0
                THEN 'gained more than the calendar allows'
            WHEN tenths < later_tenths - slack - (later_seconds - at_seconds) * $hours_a_day * 10 / 86400.0
                THEN 'gained more than the calendar allows afterwards'
            WHEN set_aside_reading.reading_id IS NOT NULL
                THEN 'contradicts its neighbours'
            ELSE ''
        END AS reason
    FROM compared
    LEFT JOIN set_aside_reading ON set_aside_reading.reading_id = compared.reading_id
)
SELECT
    reading.reading_id,
    reading.machine_id,
    reading.moment,
    reading.tenths,
    reading.meter_hours,
    reading.source,
    judged.reason = '' AS kept,
    judged.reason
FROM reading
INNER JOIN judged ON judged.reading_id = reading.reading_id
