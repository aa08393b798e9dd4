-- purpose: Fault codes as telematics or a service tool reported them.
-- grain: one row a machine_id + seen_at + spn + fmi + code + side
-- inputs: none
-- output: the columns of the data dictionary, then file_id and row_no of the row's origin (source_file)
CREATE TABLE fault_codes (
    machine_id       VARCHAR NOT NULL,
    seen_at          TIMESTAMP NOT NULL,
    hours            DOUBLE,
    spn              BIGINT,
    fmi              BIGINT,
    occurrence_count BIGINT,
    code             VARCHAR,
    description      VARCHAR,
    status           VARCHAR,
    side             VARCHAR,
    source           VARCHAR,
    file_id          BIGINT NOT NULL,
    row_no           BIGINT NOT NULL
);
