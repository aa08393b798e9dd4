-- purpose: every row that tells of a machine at some time, whatever its table.
-- grain: one row a stored row
-- inputs: meter_readings, meter_changes, fault_codes, work_orders, work_lines, measurements, components
-- materialised: as a view
-- output: machine_id, file_id, earliest, latest (TIMESTAMP: the first and the last of its dates; a work line's order counts
--   with it)
SELECT machine_id, file_id, read_at AS earliest, read_at AS latest FROM meter_readings
UNION ALL
SELECT machine_id, file_id, changed_at, changed_at FROM meter_changes
UNION ALL
SELECT machine_id, file_id, seen_at, seen_at FROM fault_codes
UNION ALL
SELECT machine_id, file_id, LEAST(opened_at, closed_at), GREATEST(opened_at, closed_at) FROM work_orders
UNION ALL
SELECT
    work_orders.machine_id,
    work_lines.file_id,
    LEAST(work_orders.opened_at, work_orders.closed_at, work_lines.done_at),
    GREATEST(work_orders.opened_at, work_orders.closed_at, work_lines.done_at)
FROM work_lines
INNER JOIN work_orders ON work_orders.work_order_id = work_lines.work_order_id
UNION ALL
SELECT machine_id, file_id, measured_at, measured_at FROM measurements
UNION ALL
SELECT machine_id, file_id, CAST(LEAST(fitted_on, removed_on) AS TIMESTAMP), CAST(GREATEST(fitted_on, removed_on) AS TIMESTAMP)
FROM components
