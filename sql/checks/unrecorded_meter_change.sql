-- purpose: machines whose set-aside readings look like a meter replaced without a record of it: five or more in a row.
-- grain: one row a machine
-- inputs: refused_reading
-- unit: machines
-- output: machine_id, readings, first_at, last_at
WITH told AS (
    SELECT DISTINCT machine_id, moment, meter_hours, source, reason, before_seconds FROM refused_reading
),
stretch AS (
    SELECT machine_id, COUNT(*) AS readings, MIN(moment) AS first_at, MAX(moment) AS last_at
    FROM told
    GROUP BY machine_id, reason, before_seconds
    HAVING COUNT(*) >= 5
)
SELECT machine_id, SUM(readings) AS readings, MIN(first_at) AS first_at, MAX(last_at) AS last_at
FROM stretch
GROUP BY machine_id
ORDER BY machine_id
