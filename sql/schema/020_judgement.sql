-- purpose: who judged which suggestion, and when.
-- grain: one row a suggestion that somebody has judged
-- inputs: none
-- output: suggestion_id, judged_by, judged_at (UTC)
CREATE TABLE judgement (
    suggestion_id BIGINT    NOT NULL,
    judged_by     VARCHAR   NOT NULL,
    judged_at     TIMESTAMP NOT NULL
);
