-- purpose: every file ever loaded, its content hash and what became of its rows.
-- grain: one row a load of a file (content_hash repeats when a file is loaded again)
-- inputs: none
-- output: file_id, path, kind, content_hash, bytes, loaded_at (UTC), rows_read = rows_new + rows_known + rows_corrected
--         + rows_rejected + rows_waiting
CREATE TABLE source_file (
    file_id        BIGINT    NOT NULL,
    path           VARCHAR   NOT NULL,
    kind           VARCHAR   NOT NULL,
    content_hash   VARCHAR   NOT NULL,
    bytes          BIGINT    NOT NULL,
    loaded_at      TIMESTAMP NOT NULL,
    rows_read      BIGINT    NOT NULL,
    rows_new       BIGINT    NOT NULL,
    rows_known     BIGINT    NOT NULL,
    rows_corrected BIGINT    NOT NULL,
    rows_rejected  BIGINT    NOT NULL,
    rows_waiting   BIGINT    NOT NULL
);
