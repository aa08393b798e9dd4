-- purpose: machines whose set-aside readings look like a meter replaced without a record of it: five or more in a row.
-- grain: one row a machine
-- inputs: reading_verdict, machine
-- unit: machines
-- output: machine_id, readings, first_at, last_at
WITH run AS (
    SELECT
        machine_id,
        moment,
        reason,
        ROW_NUMBER() OVER (PARTITION BY machine_id ORDER BY moment, reading_id)
        - ROW_NUMBER() OVER (PARTITION BY machine_id, reason ORDER BY moment, reading_id) AS stretch
    FROM reading_verdict
    WHERE source <> 'acquisition' OR NOT kept
)
SELECT machine_id, COUNT(*) AS readings, MIN(moment) AS first_at, MAX(moment) AS last_at
FROM run
WHERE reason <> ''
GROUP BY machine_id, reason, stretch
HAVING COUNT(*) >= 5
ORDER BY machine_id
