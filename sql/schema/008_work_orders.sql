-- purpose: Work orders with the three Cs: complaint, cause, correction.
-- grain: one row a work_order_id
-- inputs: none
-- output: the columns of the data dictionary, then file_id and row_no of the row's origin (source_file)
CREATE TABLE work_orders (
    work_order_id VARCHAR NOT NULL,
    machine_id    VARCHAR NOT NULL,
    opened_at     TIMESTAMP NOT NULL,
    closed_at     TIMESTAMP,
    hours         DOUBLE,
    site          VARCHAR,
    complaint     VARCHAR,
    cause         VARCHAR,
    correction    VARCHAR,
    status        VARCHAR,
    file_id       BIGINT NOT NULL,
    row_no        BIGINT NOT NULL
);
