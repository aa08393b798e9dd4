-- purpose: rows that failed a check, kept whole so that they can be listed, corrected and loaded again.
-- grain: one row a rejected row of a file
-- inputs: none
-- output: reject_id, file_id, row_no (1 = first row below the header), kind, column_name and value of the first
--         failed check, reason (every failed check), raw (JSON object: column -> text as it stood),
--         resolved_by (file_id of the load that brought the corrected row; NULL = still rejected)
CREATE TABLE rejected_row (
    reject_id   BIGINT  NOT NULL,
    file_id     BIGINT  NOT NULL,
    row_no      BIGINT  NOT NULL,
    kind        VARCHAR NOT NULL,
    column_name VARCHAR,
    value       VARCHAR,
    reason      VARCHAR NOT NULL,
    raw         VARCHAR NOT NULL,
    resolved_by BIGINT
);
