-- purpose: the readings from that of resuming on. That one has the hours of the retained curve, which an earlier reading
--   within the same whole hour may have raised.
-- grain: one row a machine and day (UTC) with a statement
-- inputs: reading (since the day of resuming), resumed
-- output: the columns of reading
SELECT
    reading.machine_id,
    reading.day,
    reading.at_seconds,
    CASE WHEN reading.at_seconds = resumed.from_seconds THEN resumed.from_tenths ELSE reading.tenths END AS tenths,
    reading.trust,
    reading.statements,
    reading.differ
FROM reading
INNER JOIN resumed ON resumed.machine_id = reading.machine_id
WHERE reading.at_seconds >= resumed.from_seconds
