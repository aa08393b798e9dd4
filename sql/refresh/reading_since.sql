-- purpose: the readings from that of resuming on. That one has the hours of the kept curve, which a reading within the
--   same whole hour may have raised; and it weighs one less, so that it lies on the best chain only where every chain
--   without it is lighter.
-- grain: one row a machine and day (UTC) with a statement
-- inputs: reading (since the day of resuming), resumed
-- output: the columns of reading
SELECT
    reading.machine_id,
    reading.day,
    reading.at_seconds,
    CASE WHEN reading.at_seconds = resumed.from_seconds THEN resumed.from_tenths ELSE reading.tenths END AS tenths,
    CASE WHEN reading.at_seconds = resumed.from_seconds THEN reading.trust - 1 ELSE reading.trust END AS trust,
    reading.statements,
    reading.differ
FROM reading
INNER JOIN resumed ON resumed.machine_id = reading.machine_id
WHERE reading.at_seconds >= resumed.from_seconds
