-- purpose: how many rejected rows have not been corrected yet.
-- grain: one row
-- inputs: rejected_row
-- output: rows
SELECT COUNT(*) AS rows FROM rejected_row WHERE resolved_by IS NULL
