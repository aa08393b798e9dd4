-- purpose: how the steps taken in each case turned out, one result a step: the latest that says anything. A look or a
--   test passes or fails; of an adjustment its own test does; of a part taken out, what was found on it.
-- grain: one row a case, step and kind of result
-- inputs: weighed_work
-- parameters: fault
-- output: machine_id, side, case_no, step, step_order, outcome ('passed', 'failed'; for an adjustment that found its cause
--   besides: 'found'), cause (confirmed by the finding; NULL = none)
WITH seen AS (
    SELECT
        machine_id,
        side,
        weighed_no AS case_no,
        step,
        step_order,
        moment,
        work_order_id,
        line_no,
        cause,
        CASE
            WHEN kind = 'inspect' OR action IN ('inspect', 'test') THEN
                CASE
                    WHEN cause IS NOT NULL OR result = 'failed' THEN 'failed'
                    WHEN result = 'passed' OR finding = 'no_fault_found' THEN 'passed'
                END
            WHEN action IN ('adjust', 'calibrate') THEN result
            WHEN cause IS NOT NULL THEN 'failed'
            WHEN finding = 'no_fault_found' THEN 'passed'
        END AS outcome,
        cause IS NOT NULL AND action IN ('adjust', 'calibrate') AS found
    FROM weighed_work
),
result AS (
    SELECT machine_id, side, case_no, step, step_order, outcome, CASE WHEN NOT found THEN cause END AS cause, moment, work_order_id, line_no
    FROM seen
    WHERE outcome IS NOT NULL
    UNION ALL
    SELECT machine_id, side, case_no, step, step_order, 'found', cause, moment, work_order_id, line_no
    FROM seen
    WHERE found
),
ranked AS (
    SELECT
        *,
        ROW_NUMBER() OVER (
            PARTITION BY machine_id, side, case_no, step, outcome = 'found' ORDER BY moment DESC, work_order_id DESC, line_no DESC, outcome
        ) AS latest
    FROM result
)
SELECT machine_id, side, case_no, step, step_order, outcome, cause
FROM ranked
WHERE latest = 1
ORDER BY machine_id, side, case_no, step_order, outcome
