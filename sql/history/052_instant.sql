-- purpose: the instants at which something happened to a machine with readings, and the ends of its records.
-- grain: one row a machine and instant up to the as-of date
-- inputs: machine, usage, fault_codes, work_orders, work_lines, measurements, components
-- parameters: as_of_end
-- materialised: while building
-- output: machine_id, moment, at_seconds
WITH instant AS (
    SELECT machine_id, record_begins AS moment FROM machine
    UNION
    SELECT machine_id, record_ends FROM machine
    UNION
    SELECT machine_id, seen_at FROM fault_codes
    UNION
    SELECT machine_id, opened_at FROM work_orders
    UNION
    SELECT work_orders.machine_id, COALESCE(work_lines.done_at, work_orders.closed_at, work_orders.opened_at)
    FROM work_lines
    INNER JOIN work_orders ON work_orders.work_order_id = work_lines.work_order_id
    UNION
    SELECT machine_id, COALESCE(closed_at, opened_at) FROM work_orders
    UNION
    SELECT machine_id, measured_at FROM measurements
    UNION
    SELECT machine_id, CAST(fitted_on AS TIMESTAMP) FROM components
    UNION
    SELECT machine_id, CAST(removed_on AS TIMESTAMP) FROM components
)
SELECT instant.machine_id, instant.moment, CAST(FLOOR(EPOCH(instant.moment)) AS BIGINT) AS at_seconds
FROM instant
INNER JOIN usage ON usage.machine_id = instant.machine_id
WHERE instant.moment <= $as_of_end
