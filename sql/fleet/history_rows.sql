-- purpose: how many rows the built history rests on, for the checks that count against it.
-- grain: one row a table
-- inputs: reading_tally, fault_report
-- output: name, rows
SELECT 'reading' AS name, CAST(COALESCE(SUM(statements), 0) AS BIGINT) AS rows FROM reading_tally
UNION ALL
SELECT 'fault_report', COUNT(*) FROM fault_report
