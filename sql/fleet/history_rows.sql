-- purpose: how many rows the built history holds, for the checks that count against it.
-- grain: one row a table
-- inputs: reading, fault_report
-- output: name, rows
SELECT 'reading' AS name, COUNT(*) AS rows FROM reading
UNION ALL
SELECT 'fault_report', COUNT(*) FROM fault_report
