-- purpose: What a qualified person found when a machine that was kept from use was checked, item by item.
-- grain: one row a machine_id + checked_at + item
-- inputs: none
-- output: the columns of the data dictionary, then file_id and row_no of the row's origin (source_file)
CREATE TABLE release_checks (
    machine_id VARCHAR NOT NULL,
    checked_at TIMESTAMP NOT NULL,
    item       VARCHAR NOT NULL,
    result     VARCHAR NOT NULL,
    checked_by VARCHAR,
    note       VARCHAR,
    file_id    BIGINT NOT NULL,
    row_no     BIGINT NOT NULL
);
