-- purpose: how many rows the built history rests on, for the checks that count against it.
-- grain: one row a table
-- inputs: statement, fault_report
-- parameters: as_of_end
-- output: name, rows
SELECT 'reading' AS name, COUNT(*) AS rows FROM statement WHERE moment < $as_of_end
UNION ALL
SELECT 'fault_report', COUNT(*) FROM fault_report
