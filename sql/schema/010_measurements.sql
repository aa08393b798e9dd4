-- purpose: Values measured on a machine.
-- grain: one row a machine_id + measured_at + quantity + side
-- inputs: none
-- output: the columns of the data dictionary, then file_id and row_no of the row's origin (source_file)
CREATE TABLE measurements (
    machine_id  VARCHAR NOT NULL,
    measured_at TIMESTAMP NOT NULL,
    hours       DOUBLE,
    quantity    VARCHAR NOT NULL,
    side        VARCHAR,
    value       DOUBLE NOT NULL,
    unit        VARCHAR NOT NULL,
    file_id     BIGINT NOT NULL,
    row_no      BIGINT NOT NULL
);
