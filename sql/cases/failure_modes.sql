-- purpose: what kind of failure the codes of each case name most often.
-- grain: one row a case whose codes carry a failure mode
-- inputs: weighed_case, numbered_report, failure_mode
-- parameters: fault
-- output: machine_id, side, case_no, outcome (group of failure modes), count, total (e.g. 12 of 14 codes)
WITH coded AS (
    SELECT
        weighed_case.machine_id,
        weighed_case.side,
        weighed_case.case_no,
        failure_mode.mode_group,
        COUNT(*) AS count,
        MAX(numbered_report.moment) AS last_at
    FROM weighed_case
    INNER JOIN numbered_report
        ON numbered_report.fault = $fault
        AND numbered_report.machine_id = weighed_case.machine_id
        AND numbered_report.side = weighed_case.side
        AND numbered_report.moment BETWEEN weighed_case.first_at AND weighed_case.last_at
    INNER JOIN failure_mode ON failure_mode.fmi = numbered_report.fmi
    GROUP BY weighed_case.machine_id, weighed_case.side, weighed_case.case_no, failure_mode.mode_group
),
ranked AS (
    SELECT
        *,
        CAST(SUM(count) OVER (PARTITION BY machine_id, side, case_no) AS BIGINT) AS total,
        ROW_NUMBER() OVER (PARTITION BY machine_id, side, case_no ORDER BY count DESC, last_at DESC, mode_group) AS commonness
    FROM coded
)
SELECT machine_id, side, case_no, mode_group AS outcome, count, total
FROM ranked
WHERE commonness = 1
ORDER BY machine_id, side, case_no
