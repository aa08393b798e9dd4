-- purpose: files of which more rejected rows are kept than their load rejected, or that are said to resolve one and are
--   not on record.
-- grain: one row a file
-- inputs: source_file, rejected_row
-- output: file_id, rows (that are kept, or resolved)
SELECT kept.file_id, kept.rows
FROM (SELECT file_id, COUNT(*) AS rows FROM rejected_row GROUP BY file_id) AS kept
LEFT JOIN source_file ON source_file.file_id = kept.file_id
WHERE source_file.file_id IS NOT NULL AND kept.rows > source_file.rows_rejected
UNION ALL
SELECT rejected_row.resolved_by, COUNT(*) AS rows
FROM rejected_row
LEFT JOIN source_file ON source_file.file_id = rejected_row.resolved_by
WHERE rejected_row.resolved_by IS NOT NULL AND source_file.file_id IS NULL
GROUP BY rejected_row.resolved_by
ORDER BY file_id, rows
