-- purpose: the running-hours curve of each machine: its retained readings, never falling.
-- grain: one row a machine and retained instant
-- inputs: reading, set_aside_reading, raised_reading
-- output: machine_id, at_seconds, tenths
SELECT
    reading.machine_id,
    reading.at_seconds,
    -- Retained readings agree to the whole hour; what rounding left of a fall is taken out by raising the later one.
    COALESCE(raised_reading.tenths, reading.tenths) AS tenths
FROM reading
LEFT JOIN set_aside_reading
    ON set_aside_reading.machine_id = reading.machine_id AND set_aside_reading.at_seconds = reading.at_seconds
LEFT JOIN raised_reading
    ON raised_reading.machine_id = reading.machine_id AND raised_reading.at_seconds = reading.at_seconds
WHERE set_aside_reading.machine_id IS NULL
