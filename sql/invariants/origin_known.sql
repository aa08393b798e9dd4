-- purpose: stored rows whose file is not on record.
-- grain: one row a table and file
-- inputs: source_file and every table of the dictionary
-- output: kind, file_id, rows
SELECT stored.kind, stored.file_id, COUNT(*) AS rows
FROM (
    SELECT 'machines' AS kind, file_id FROM machines
    UNION ALL
    SELECT 'components' AS kind, file_id FROM components
    UNION ALL
    SELECT 'meter_readings' AS kind, file_id FROM meter_readings
    UNION ALL
    SELECT 'meter_changes' AS kind, file_id FROM meter_changes
    UNION ALL
    SELECT 'fault_codes' AS kind, file_id FROM fault_codes
    UNION ALL
    SELECT 'work_orders' AS kind, file_id FROM work_orders
    UNION ALL
    SELECT 'work_lines' AS kind, file_id FROM work_lines
    UNION ALL
    SELECT 'measurements' AS kind, file_id FROM measurements
    UNION ALL
    SELECT 'rentals' AS kind, file_id FROM rentals
    UNION ALL
    SELECT 'rejected_row' AS kind, file_id FROM rejected_row
) AS stored
LEFT JOIN source_file ON source_file.file_id = stored.file_id
WHERE source_file.file_id IS NULL
GROUP BY stored.kind, stored.file_id
ORDER BY stored.kind, stored.file_id
