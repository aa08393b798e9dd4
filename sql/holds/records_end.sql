-- purpose: when the last thing on record happened, as it was known on the as-of day.
-- grain: one row
-- inputs: record
-- output: last_at (UTC; NULL = nothing on record by then)
SELECT MAX(last_at) AS last_at FROM record
