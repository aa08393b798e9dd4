-- purpose: the statements of running hours that are not believed, and why. A statement that says the same as its whole
--   day is believed if that day's is.
-- grain: one row a refused statement
-- inputs: statement, reading, set_aside_reading, bracket
-- parameters: as_of_end, hours_a_day
-- output: machine_id, moment, at_seconds, tenths, meter_hours, source, reason
WITH questionable AS (
    SELECT
        statement.*,
        set_aside_reading.machine_id IS NOT NULL AND statement.at_seconds = reading.at_seconds AND statement.tenths = reading.tenths
            AS set_aside
    FROM statement
    INNER JOIN reading
        ON reading.machine_id = statement.machine_id AND reading.day = CAST(FLOOR(statement.at_seconds / 86400.0) AS BIGINT)
    LEFT JOIN set_aside_reading
        ON set_aside_reading.machine_id = reading.machine_id AND set_aside_reading.at_seconds = reading.at_seconds
    WHERE statement.moment < $as_of_end AND (reading.differ OR set_aside_reading.machine_id IS NOT NULL)
),
compared AS (
    SELECT
        questionable.*,
        bracket.before_seconds,
        bracket.before_tenths,
        bracket.after_seconds,
        bracket.after_tenths,
        -- A day's work is what two statements of one day may differ by.
        CAST($hours_a_day * 10 AS BIGINT) AS slack
    FROM questionable
    INNER JOIN bracket ON bracket.machine_id = questionable.machine_id AND bracket.at_seconds = questionable.at_seconds
),
judged AS (
    SELECT
        *,
        CASE
            WHEN tenths < before_tenths - CASE WHEN set_aside THEN 0 ELSE slack END
                THEN 'below an earlier reading'
            WHEN tenths > after_tenths + CASE WHEN set_aside THEN 0 ELSE slack END
                THEN 'above a later reading'
            WHEN tenths > before_tenths + slack + (at_seconds - before_seconds) * $hours_a_day * 10 / 86400.0
                THEN 'gained more than the calendar allows'
            WHEN tenths < after_tenths - slack - (after_seconds - at_seconds) * $hours_a_day * 10 / 86400.0
                THEN 'gained more than the calendar allows afterwards'
            WHEN set_aside
                THEN 'contradicts its neighbours'
            ELSE ''
        END AS reason
    FROM compared
)
SELECT machine_id, moment, at_seconds, tenths, meter_hours, source, reason
FROM judged
WHERE reason <> ''
