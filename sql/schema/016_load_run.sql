-- purpose: every load, and when it was taken back.
-- grain: one row a load (one command, whatever files it read)
-- inputs: none
-- output: load_id, loaded_at (UTC), last_file (the last file_id given out by then), files (their names), rows_new and
--         rows_corrected as they were when it was loaded, undone_at (UTC; NULL = in force)
CREATE TABLE load_run (
    load_id        BIGINT    NOT NULL,
    loaded_at      TIMESTAMP NOT NULL,
    last_file      BIGINT    NOT NULL,
    files          VARCHAR   NOT NULL,
    rows_new       BIGINT    NOT NULL,
    rows_corrected BIGINT    NOT NULL,
    undone_at      TIMESTAMP
);
