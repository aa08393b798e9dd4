-- purpose: Hour meters replaced: what the old one showed and where the new one began.
-- grain: one row a machine_id + changed_at
-- inputs: none
-- output: the columns of the data dictionary, then file_id and row_no of the row's origin (source_file)
CREATE TABLE meter_changes (
    machine_id      VARCHAR NOT NULL,
    changed_at      TIMESTAMP NOT NULL,
    old_meter_hours DOUBLE NOT NULL,
    new_meter_hours DOUBLE NOT NULL,
    file_id         BIGINT NOT NULL,
    row_no          BIGINT NOT NULL
);
