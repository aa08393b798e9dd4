-- purpose: tables whose rows are not those that the loads' book says they brought.
-- grain: one row a table
-- inputs: source_file, stored_row
-- output: kind, rows (that the table holds), said (that the loads brought)
SELECT
    COALESCE(held.kind, brought.kind) AS kind,
    COALESCE(held.rows, 0) AS rows,
    COALESCE(brought.said, 0) AS said
FROM (SELECT kind, COUNT(*) AS rows FROM stored_row GROUP BY kind) AS held
FULL JOIN (SELECT kind, CAST(SUM(rows_new + rows_waiting) AS BIGINT) AS said FROM source_file GROUP BY kind) AS brought
    ON brought.kind = held.kind
WHERE COALESCE(held.rows, 0) <> COALESCE(brought.said, 0)
ORDER BY kind
