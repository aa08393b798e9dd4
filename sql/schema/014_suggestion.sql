-- purpose: what the texts of work orders and lines are taken to say, by the dictionary of workshop words.
-- grain: one row a suggestion read from one text
-- inputs: none
-- output: suggestion_id, work_order_id, line_no (NULL = the order's own text), field (complaint, cause, correction or
--         note), text_hash (MD5 of the text), spans (JSON: the characters it rests on, from 0, end exclusive), words,
--         component, side, action, finding, result (NULL = not said), recurrence_hours, again (the fault came back),
--         confidence, dictionary_version, accepted (NULL = nobody has judged it), file_id of the row it was read from
CREATE TABLE suggestion (
    suggestion_id      BIGINT  NOT NULL,
    work_order_id      VARCHAR NOT NULL,
    line_no            BIGINT,
    field              VARCHAR NOT NULL,
    text_hash          VARCHAR NOT NULL,
    spans              VARCHAR NOT NULL,
    words              VARCHAR NOT NULL,
    component          VARCHAR,
    side               VARCHAR,
    action             VARCHAR,
    finding            VARCHAR,
    result             VARCHAR,
    recurrence_hours   DOUBLE,
    again              BOOLEAN NOT NULL,
    confidence         DOUBLE  NOT NULL,
    dictionary_version VARCHAR NOT NULL,
    accepted           BOOLEAN,
    file_id            BIGINT  NOT NULL
);
