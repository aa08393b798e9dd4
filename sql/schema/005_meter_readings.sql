-- purpose: Hour-meter readings as they were taken, errors included.
-- grain: one row a machine_id + read_at + source
-- inputs: none
-- output: the columns of the data dictionary, then file_id and row_no of the row's origin (source_file)
CREATE TABLE meter_readings (
    machine_id VARCHAR NOT NULL,
    read_at    TIMESTAMP NOT NULL,
    hours      DOUBLE NOT NULL,
    source     VARCHAR,
    file_id    BIGINT NOT NULL,
    row_no     BIGINT NOT NULL
);
