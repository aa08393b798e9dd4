-- purpose: rows that share the key that should tell them apart.
-- grain: one row a table and repeated key
-- inputs: machines, components, meter_readings, meter_changes, fault_codes, work_orders, work_lines, measurements, rentals,
--   release_checks
-- output: kind, rows
SELECT repeated.kind, repeated.rows
FROM (
    SELECT 'machines' AS kind, COUNT(*) AS rows FROM machines GROUP BY machine_id HAVING COUNT(*) > 1
    UNION ALL
    SELECT 'components' AS kind, COUNT(*) AS rows FROM components GROUP BY machine_id, component, side, fitted_on HAVING COUNT(*) > 1
    UNION ALL
    SELECT 'meter_readings' AS kind, COUNT(*) AS rows FROM meter_readings GROUP BY machine_id, read_at, source HAVING COUNT(*) > 1
    UNION ALL
    SELECT 'meter_changes' AS kind, COUNT(*) AS rows FROM meter_changes GROUP BY machine_id, changed_at HAVING COUNT(*) > 1
    UNION ALL
    SELECT 'fault_codes' AS kind, COUNT(*) AS rows FROM fault_codes GROUP BY machine_id, seen_at, spn, fmi, code, side HAVING COUNT(*) > 1
    UNION ALL
    SELECT 'work_orders' AS kind, COUNT(*) AS rows FROM work_orders GROUP BY work_order_id HAVING COUNT(*) > 1
    UNION ALL
    SELECT 'work_lines' AS kind, COUNT(*) AS rows FROM work_lines GROUP BY work_order_id, line_no HAVING COUNT(*) > 1
    UNION ALL
    SELECT 'measurements' AS kind, COUNT(*) AS rows FROM measurements GROUP BY machine_id, measured_at, quantity, side HAVING COUNT(*) > 1
    UNION ALL
    SELECT 'rentals' AS kind, COUNT(*) AS rows FROM rentals GROUP BY machine_id, out_at HAVING COUNT(*) > 1
    UNION ALL
    SELECT 'release_checks' AS kind, COUNT(*) AS rows
    FROM release_checks GROUP BY machine_id, checked_at, item HAVING COUNT(*) > 1
) AS repeated
ORDER BY repeated.kind
