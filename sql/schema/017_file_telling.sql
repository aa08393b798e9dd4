-- purpose: of which moment a file tells, and which columns it tells of: where files contradict each other, the one that
--          tells of a later moment holds, in whatever order they are loaded.
-- grain: one row a file
-- inputs: none
-- output: file_id, load_id, told_at (UTC: the day in its name, or when it was written), written_at (UTC), name (without
--         folders), told (its columns beside those of the key, in order, joined by commas)
CREATE TABLE file_telling (
    file_id    BIGINT    NOT NULL,
    load_id    BIGINT    NOT NULL,
    told_at    TIMESTAMP NOT NULL,
    written_at TIMESTAMP NOT NULL,
    name       VARCHAR   NOT NULL,
    told       VARCHAR   NOT NULL
);
