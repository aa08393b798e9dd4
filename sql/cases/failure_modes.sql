-- purpose: what kinds of failure the codes of each case name. An episode has one vote, which its codes share: a burst of
--   codes says the same thing many times.
-- grain: one row a case and group of failure modes among its codes
-- inputs: weighed_case, numbered_report, failure_mode
-- parameters: fault
-- output: machine_id, side, case_no, outcome (group of failure modes), votes (for it, e.g. 2.5), total (episodes that
--   vote), own (squares of the episodes' shares summed: what of the votes squared is an episode agreeing with itself)
WITH coded AS (
    SELECT
        weighed_case.machine_id,
        weighed_case.side,
        weighed_case.case_no,
        numbered_report.episode,
        failure_mode.mode_group,
        COUNT(*) AS codes
    FROM weighed_case
    INNER JOIN numbered_report
        ON numbered_report.fault = $fault
        AND numbered_report.machine_id = weighed_case.machine_id
        AND numbered_report.side = weighed_case.side
        AND numbered_report.moment BETWEEN weighed_case.first_at AND weighed_case.last_at
    INNER JOIN failure_mode ON failure_mode.fmi = numbered_report.fmi
    GROUP BY weighed_case.machine_id, weighed_case.side, weighed_case.case_no, numbered_report.episode, failure_mode.mode_group
),
shared AS (
    SELECT
        machine_id,
        side,
        case_no,
        episode,
        mode_group,
        codes / SUM(codes) OVER (PARTITION BY machine_id, side, case_no, episode) AS share
    FROM coded
),
voting AS (
    SELECT machine_id, side, case_no, COUNT(DISTINCT episode) AS total FROM coded GROUP BY machine_id, side, case_no
)
SELECT
    shared.machine_id,
    shared.side,
    shared.case_no,
    shared.mode_group AS outcome,
    SUM(shared.share ORDER BY shared.episode) AS votes,
    voting.total,
    SUM(shared.share * shared.share ORDER BY shared.episode) AS own
FROM shared
INNER JOIN voting ON voting.machine_id = shared.machine_id AND voting.side = shared.side AND voting.case_no = shared.case_no
GROUP BY shared.machine_id, shared.side, shared.case_no, shared.mode_group, voting.total
ORDER BY shared.machine_id, shared.side, shared.case_no, shared.mode_group
