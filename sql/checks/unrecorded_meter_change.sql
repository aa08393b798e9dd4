-- purpose: machines whose set-aside readings look like a meter replaced without a record of it: five or more in a row.
-- grain: one row a machine
-- inputs: statement, refused_reading, machine
-- parameters: as_of_end
-- unit: machines
-- output: machine_id, readings, first_at, last_at
WITH often_refused AS (
    SELECT machine_id FROM refused_reading GROUP BY machine_id HAVING COUNT(*) >= 5
),
told AS (
    SELECT DISTINCT statement.machine_id, statement.moment, statement.tenths, statement.meter_hours, statement.source
    FROM statement
    INNER JOIN often_refused ON often_refused.machine_id = statement.machine_id
    WHERE statement.moment < $as_of_end
),
verdict AS (
    SELECT told.*, COALESCE(refused_reading.reason, '') AS reason
    FROM told
    LEFT JOIN refused_reading
        ON refused_reading.machine_id = told.machine_id
        AND refused_reading.moment = told.moment
        AND refused_reading.meter_hours = told.meter_hours
        AND refused_reading.source = told.source
    WHERE told.source <> 'acquisition' OR refused_reading.reason IS NOT NULL
),
run AS (
    SELECT
        machine_id,
        moment,
        reason,
        ROW_NUMBER() OVER (PARTITION BY machine_id ORDER BY moment, tenths, source, meter_hours)
        - ROW_NUMBER() OVER (PARTITION BY machine_id, reason ORDER BY moment, tenths, source, meter_hours) AS stretch
    FROM verdict
)
SELECT machine_id, COUNT(*) AS readings, MIN(moment) AS first_at, MAX(moment) AS last_at
FROM run
WHERE reason <> ''
GROUP BY machine_id, reason, stretch
HAVING COUNT(*) >= 5
ORDER BY machine_id
