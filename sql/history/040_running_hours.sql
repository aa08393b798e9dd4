-- purpose: the running-hours curve of each machine: its kept daily readings, never falling.
-- grain: one row a machine and kept instant
-- inputs: reading, set_aside_reading
-- output: machine_id, seq (1 = first), at_seconds, tenths, next_at_seconds, next_tenths (NULL at the end)
WITH kept AS (
    SELECT reading.machine_id, reading.at_seconds, MAX(reading.tenths) AS tenths
    FROM reading
    LEFT JOIN set_aside_reading ON set_aside_reading.reading_id = reading.reading_id
    WHERE set_aside_reading.reading_id IS NULL AND reading.daily
    GROUP BY reading.machine_id, reading.at_seconds
),
-- Kept readings agree to the whole hour; the running maximum takes out what rounding left.
rising AS (
    SELECT
        machine_id,
        at_seconds,
        MAX(tenths) OVER (
            PARTITION BY machine_id ORDER BY at_seconds ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ) AS tenths
    FROM kept
)
SELECT
    machine_id,
    ROW_NUMBER() OVER (PARTITION BY machine_id ORDER BY at_seconds) AS seq,
    at_seconds,
    tenths,
    LEAD(at_seconds) OVER (PARTITION BY machine_id ORDER BY at_seconds) AS next_at_seconds,
    LEAD(tenths) OVER (PARTITION BY machine_id ORDER BY at_seconds) AS next_tenths
FROM rising
