-- purpose: The machines of the fleet as the yard lists them.
-- grain: one row a machine_id
-- inputs: none
-- output: the columns of the data dictionary, then file_id and row_no of the row's origin (source_file)
CREATE TABLE machines (
    machine_id           VARCHAR NOT NULL,
    pin                  VARCHAR,
    serial_number        VARCHAR,
    make                 VARCHAR,
    model                VARCHAR,
    machine_type         VARCHAR,
    build_date           VARCHAR,
    control              VARCHAR,
    site                 VARCHAR,
    owner                VARCHAR,
    acquired_on          DATE,
    hours_at_acquisition DOUBLE,
    disposed_on          DATE,
    hours_at_disposal    DOUBLE,
    file_id              BIGINT NOT NULL,
    row_no               BIGINT NOT NULL
);
