-- purpose: What is fitted where and over which time, as the yard recorded it.
-- grain: one row a machine_id + component + side + fitted_on
-- inputs: none
-- output: the columns of the data dictionary, then file_id and row_no of the row's origin (source_file)
CREATE TABLE components (
    machine_id     VARCHAR NOT NULL,
    component      VARCHAR NOT NULL,
    side           VARCHAR,
    variant        VARCHAR,
    serial_number  VARCHAR,
    built_on       VARCHAR,
    fitted_on      DATE NOT NULL,
    fitted_hours   DOUBLE,
    removed_on     DATE,
    removed_hours  DOUBLE,
    removal_reason VARCHAR,
    file_id        BIGINT NOT NULL,
    row_no         BIGINT NOT NULL
);
