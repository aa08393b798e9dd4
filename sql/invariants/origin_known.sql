-- purpose: stored rows whose file is not on record.
-- grain: one row a table and file
-- inputs: source_file, stored_row, rejected_row
-- output: kind, file_id, rows
SELECT stored.kind, stored.file_id, COUNT(*) AS rows
FROM (
    SELECT kind, file_id FROM stored_row
    UNION ALL
    SELECT 'rejected_row', file_id FROM rejected_row
) AS stored
LEFT JOIN source_file ON source_file.file_id = stored.file_id
WHERE source_file.file_id IS NULL
GROUP BY stored.kind, stored.file_id
ORDER BY stored.kind, stored.file_id
