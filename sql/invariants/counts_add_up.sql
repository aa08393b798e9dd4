-- purpose: files whose rows were not all accounted for.
-- grain: one row a load of a file
-- inputs: source_file
-- output: file_id, path, rows_read
SELECT file_id, path, rows_read
FROM source_file
WHERE rows_read <> rows_new + rows_known + rows_corrected + rows_rejected + rows_waiting
ORDER BY file_id
