-- purpose: how many rows each table of the dictionary holds.
-- grain: one row a table
-- inputs: machines, components, meter_readings, meter_changes, fault_codes, work_orders, work_lines, measurements, rentals,
--   release_checks
-- output: name, rows
SELECT 'machines' AS name, COUNT(*) AS rows FROM machines
UNION ALL
SELECT 'components', COUNT(*) FROM components
UNION ALL
SELECT 'meter_readings', COUNT(*) FROM meter_readings
UNION ALL
SELECT 'meter_changes', COUNT(*) FROM meter_changes
UNION ALL
SELECT 'fault_codes', COUNT(*) FROM fault_codes
UNION ALL
SELECT 'work_orders', COUNT(*) FROM work_orders
UNION ALL
SELECT 'work_lines', COUNT(*) FROM work_lines
UNION ALL
SELECT 'measurements', COUNT(*) FROM measurements
UNION ALL
SELECT 'rentals', COUNT(*) FROM rentals
UNION ALL
SELECT 'release_checks', COUNT(*) FROM release_checks
