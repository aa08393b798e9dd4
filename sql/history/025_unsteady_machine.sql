-- purpose: the machines whose readings are not in good order as they stand: from one to the next the hours fall, or gain
--   more than the calendar allows. Those of the others contradict each other nowhere.
-- grain: one row a machine
-- inputs: reading
-- parameters: hours_a_day (most that a meter can gain in a calendar day)
-- materialised: while building
-- output: machine_id
WITH followed AS (
    SELECT
        machine_id,
        tenths,
        CAST(FLOOR(at_seconds * $hours_a_day / 86400.0) AS BIGINT) - CAST(FLOOR(tenths / 10.0) AS BIGINT) AS spare_hours,
        LAG(tenths) OVER one_machine AS last_tenths,
        LAG(CAST(FLOOR(at_seconds * $hours_a_day / 86400.0) AS BIGINT) - CAST(FLOOR(tenths / 10.0) AS BIGINT)) OVER one_machine
            AS last_spare_hours
    FROM reading
    WINDOW one_machine AS (PARTITION BY machine_id ORDER BY at_seconds)
)
SELECT DISTINCT machine_id
FROM followed
WHERE tenths < last_tenths OR spare_hours < last_spare_hours
