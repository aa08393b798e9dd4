-- purpose: Times a machine was out on rent.
-- grain: one row a machine_id + out_at
-- inputs: none
-- output: the columns of the data dictionary, then file_id and row_no of the row's origin (source_file)
CREATE TABLE rentals (
    machine_id VARCHAR NOT NULL,
    out_at     TIMESTAMP NOT NULL,
    in_at      TIMESTAMP,
    day_rate   DOUBLE,
    file_id    BIGINT NOT NULL,
    row_no     BIGINT NOT NULL
);
