-- purpose: the old values of rows that a newer file corrected.
-- grain: one row a correction of one row
-- inputs: none
-- output: kind, row_key and the old and new row (JSON objects), with the origin of both
CREATE TABLE change_log (
    kind        VARCHAR NOT NULL,
    row_key     VARCHAR NOT NULL,
    old_row     VARCHAR NOT NULL,
    new_row     VARCHAR NOT NULL,
    old_file_id BIGINT  NOT NULL,
    old_row_no  BIGINT  NOT NULL,
    new_file_id BIGINT  NOT NULL,
    new_row_no  BIGINT  NOT NULL
);
