-- purpose: rows that other files have told just as they are stored: the two latest of those files.
-- grain: one row a row of the store
-- inputs: none
-- output: kind, mark (of the row's key), file_id, row_no, before_file, before_row (the file before it; NULL = none)
CREATE TABLE told_again (
    kind        VARCHAR NOT NULL,
    mark        UBIGINT NOT NULL,
    file_id     BIGINT  NOT NULL,
    row_no      BIGINT  NOT NULL,
    before_file BIGINT,
    before_row  BIGINT
);
