-- purpose: the running-hours curve of each machine: its kept readings, never falling.
-- grain: one row a machine and kept instant
-- inputs: reading, unsteady_machine, set_aside_reading
-- output: machine_id, at_seconds, tenths
-- Kept readings agree to the whole hour; the running maximum takes out what rounding left.
WITH rising AS (
    SELECT
        reading.machine_id,
        reading.at_seconds,
        MAX(reading.tenths) OVER (
            PARTITION BY reading.machine_id ORDER BY reading.at_seconds ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ) AS tenths
    FROM reading
    INNER JOIN unsteady_machine ON unsteady_machine.machine_id = reading.machine_id
    LEFT JOIN set_aside_reading
        ON set_aside_reading.machine_id = reading.machine_id AND set_aside_reading.at_seconds = reading.at_seconds
    WHERE set_aside_reading.machine_id IS NULL
)
SELECT reading.machine_id, reading.at_seconds, reading.tenths
FROM reading
LEFT JOIN unsteady_machine ON unsteady_machine.machine_id = reading.machine_id
WHERE unsteady_machine.machine_id IS NULL
UNION ALL
SELECT machine_id, at_seconds, tenths FROM rising
