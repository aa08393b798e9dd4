-- purpose: what each file says of a row that files do not tell alike; the row is what the latest of them say.
-- grain: one row a row of the store and file
-- inputs: none
-- output: kind, row_key (JSON object), file_id, row_no, told (JSON object: the file's columns and their values)
CREATE TABLE telling (
    kind    VARCHAR NOT NULL,
    row_key VARCHAR NOT NULL,
    file_id BIGINT  NOT NULL,
    row_no  BIGINT  NOT NULL,
    told    VARCHAR NOT NULL
);
