-- purpose: over which time something is on record of each machine.
-- grain: one row a machine with anything on record by the as-of date
-- inputs: meter_readings, fault_codes, work_orders, measurements
-- parameters: as_of_end (first instant that no longer counts)
-- output: machine_id, first_at, last_at
WITH record AS (
    SELECT machine_id, MIN(read_at) AS first_at, MAX(read_at) AS last_at
    FROM meter_readings WHERE read_at < $as_of_end GROUP BY machine_id
    UNION ALL
    SELECT machine_id, MIN(seen_at), MAX(seen_at) FROM fault_codes WHERE seen_at < $as_of_end GROUP BY machine_id
    UNION ALL
    SELECT machine_id, MIN(opened_at), MAX(opened_at) FROM work_orders WHERE opened_at < $as_of_end GROUP BY machine_id
    UNION ALL
    SELECT machine_id, MIN(measured_at), MAX(measured_at) FROM measurements WHERE measured_at < $as_of_end GROUP BY machine_id
)
SELECT machine_id, MIN(first_at) AS first_at, MAX(last_at) AS last_at
FROM record
GROUP BY machine_id
