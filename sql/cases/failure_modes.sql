-- purpose: what kind of failure the codes of each case name most often.
-- grain: one row a case whose codes carry a failure mode
-- inputs: case_file, numbered_report, failure_mode
-- parameters: fault
-- output: machine_id, side, case_no, outcome (group of failure modes), count, total (e.g. 12 of 14 codes)
WITH coded AS (
    SELECT
        case_file.machine_id,
        case_file.side,
        case_file.case_no,
        failure_mode.mode_group,
        COUNT(*) AS count,
        MAX(numbered_report.moment) AS last_at
    FROM case_file
    INNER JOIN numbered_report
        ON numbered_report.fault = case_file.fault
        AND numbered_report.machine_id = case_file.machine_id
        AND numbered_report.side = case_file.side
        AND numbered_report.moment BETWEEN case_file.first_at AND case_file.last_at
    INNER JOIN failure_mode ON failure_mode.fmi = numbered_report.fmi
    WHERE case_file.fault = $fault
    GROUP BY case_file.machine_id, case_file.side, case_file.case_no, failure_mode.mode_group
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
