-- purpose: every row that the files brought, with whom it belongs to.
-- grain: one row a stored row
-- inputs: machines, components, meter_readings, meter_changes, fault_codes, work_orders, work_lines, measurements, rentals,
--   release_checks
-- output: kind (table), file_id, machine_id (NULL for work lines), work_order_id (NULL for all but work lines)
SELECT 'machines' AS kind, file_id, machine_id, NULL AS work_order_id FROM machines
UNION ALL
SELECT 'components', file_id, machine_id, NULL FROM components
UNION ALL
SELECT 'meter_readings', file_id, machine_id, NULL FROM meter_readings
UNION ALL
SELECT 'meter_changes', file_id, machine_id, NULL FROM meter_changes
UNION ALL
SELECT 'fault_codes', file_id, machine_id, NULL FROM fault_codes
UNION ALL
SELECT 'work_orders', file_id, machine_id, NULL FROM work_orders
UNION ALL
SELECT 'work_lines', file_id, NULL, work_order_id FROM work_lines
UNION ALL
SELECT 'measurements', file_id, machine_id, NULL FROM measurements
UNION ALL
SELECT 'rentals', file_id, machine_id, NULL FROM rentals
UNION ALL
SELECT 'release_checks', file_id, machine_id, NULL FROM release_checks
