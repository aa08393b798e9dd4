-- purpose: by what a materialised history sees that the store has changed since.
-- grain: one row
-- inputs: source_file, suggestion
-- output: last_file (the last file loaded; 0 = none), suggestions (sum over what the suggestions say and how they were
--   judged; the same for the same rows in any order)
SELECT
    (SELECT COALESCE(MAX(file_id), 0) FROM source_file) AS last_file,
    (SELECT CAST(COALESCE(SUM(HASH(suggestion)), 0) AS VARCHAR) FROM suggestion) AS suggestions
