-- purpose: The single steps done under a work order.
-- grain: one row a work_order_id + line_no
-- inputs: none
-- output: the columns of the data dictionary, then file_id and row_no of the row's origin (source_file)
CREATE TABLE work_lines (
    work_order_id VARCHAR NOT NULL,
    line_no       BIGINT NOT NULL,
    done_at       TIMESTAMP,
    component     VARCHAR,
    side          VARCHAR,
    action        VARCHAR,
    result        VARCHAR,
    finding       VARCHAR,
    variant       VARCHAR,
    part_number   VARCHAR,
    quantity      DOUBLE,
    labour_hours  DOUBLE,
    labour_cost   DOUBLE,
    parts_cost    DOUBLE,
    note          VARCHAR,
    file_id       BIGINT NOT NULL,
    row_no        BIGINT NOT NULL
);
