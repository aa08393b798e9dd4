-- purpose: the returns within each weighed case: what was known of it when the fault was back after a visit to the shop.
-- grain: one row a weighed case and return
-- inputs: weighed_case, weighed_work, looked_at (machine_id, side: where to look), numbered_report
-- parameters: fault, least_tenths (returns sooner than this are left out)
-- output: the columns of weighed_case (as of the return, which is `until`; case_no is a running number), whole_case (case_no
--   of the weighed case), turn (1 = first return of it), back_at, back_tenths
WITH returned AS (
    SELECT
        weighed_work.machine_id,
        weighed_work.side,
        weighed_work.weighed_no AS case_no,
        weighed_work.back_at,
        MAX(weighed_work.tenths + weighed_work.held_tenths) AS back_tenths
    FROM weighed_work
    INNER JOIN looked_at ON looked_at.machine_id = weighed_work.machine_id AND looked_at.side = weighed_work.side
    WHERE weighed_work.held_tenths >= $least_tenths AND weighed_work.back_at <= weighed_work.last_at
    GROUP BY weighed_work.machine_id, weighed_work.side, weighed_work.weighed_no, weighed_work.back_at
)
SELECT
    returned.machine_id,
    returned.side,
    CAST(ROW_NUMBER() OVER (ORDER BY returned.machine_id, returned.side, returned.case_no, returned.back_at) AS BIGINT) AS case_no,
    MIN(weighed_case.first_at) AS first_at,
    MAX(numbered_report.moment) AS last_at,
    MIN(weighed_case.first_tenths) AS first_tenths,
    MAX(numbered_report.tenths) AS last_tenths,
    returned.back_at AS until,
    CAST(NULL AS BIGINT) AS seen_tenths,
    MIN(weighed_case.after_at) AS after_at,
    COUNT(DISTINCT numbered_report.episode) AS episodes,
    COUNT(*) AS reports,
    CAST(0 AS BIGINT) AS attempts,
    CAST(NULL AS VARCHAR) AS last_step,
    CAST(0 AS BIGINT) AS quiet_tenths,
    FALSE AS answered,
    'closed' AS state,
    returned.case_no AS whole_case,
    CAST(ROW_NUMBER() OVER (
        PARTITION BY returned.machine_id, returned.side, returned.case_no ORDER BY returned.back_at
    ) AS BIGINT) AS turn,
    returned.back_at,
    MIN(returned.back_tenths) AS back_tenths
FROM returned
INNER JOIN weighed_case USING (machine_id, side, case_no)
INNER JOIN numbered_report
    ON numbered_report.fault = $fault
    AND numbered_report.machine_id = returned.machine_id
    AND numbered_report.side = returned.side
    AND numbered_report.moment >= weighed_case.first_at
    AND numbered_report.moment < returned.back_at
GROUP BY returned.machine_id, returned.side, returned.case_no, returned.back_at
ORDER BY case_no
