-- purpose: how the steps taken in each case turned out, one result a step: the latest that says anything. A look or a
--   test passes or fails; of an adjustment its own test does; of a part taken out, what was found on it.
-- grain: one row a case, step and kind of result
-- inputs: weighed_case, case_step, family_confirm
-- parameters: fault
-- output: machine_id, side, case_no, step, step_order, outcome ('passed', 'failed'; for an adjustment that found its cause
--   besides: 'found'), cause (confirmed by the finding; NULL = none)
WITH seen AS (
    SELECT
        weighed_case.machine_id,
        weighed_case.side,
        weighed_case.case_no,
        case_step.step,
        case_step.step_order,
        case_step.moment,
        case_step.work_order_id,
        case_step.line_no,
        family_confirm.cause,
        CASE
            WHEN case_step.kind = 'inspect' OR case_step.action IN ('inspect', 'test') THEN
                CASE
                    WHEN family_confirm.cause IS NOT NULL OR case_step.result = 'failed' THEN 'failed'
                    WHEN case_step.result = 'passed' OR case_step.finding = 'no_fault_found' THEN 'passed'
                END
            WHEN case_step.action IN ('adjust', 'calibrate') THEN case_step.result
            WHEN family_confirm.cause IS NOT NULL THEN 'failed'
            WHEN case_step.finding = 'no_fault_found' THEN 'passed'
        END AS outcome,
        family_confirm.cause IS NOT NULL AND case_step.action IN ('adjust', 'calibrate') AS found
    FROM weighed_case
    INNER JOIN case_step
        ON case_step.fault = $fault
        AND case_step.machine_id = weighed_case.machine_id
        AND case_step.side = weighed_case.side
        AND case_step.moment >= weighed_case.first_at
        AND (weighed_case.until IS NULL OR case_step.moment < weighed_case.until)
    LEFT JOIN family_confirm
        ON family_confirm.fault = case_step.fault
        AND family_confirm.step = case_step.step
        AND family_confirm.finding = case_step.finding
),
told AS (
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
    FROM told
)
SELECT machine_id, side, case_no, step, step_order, outcome, cause
FROM ranked
WHERE latest = 1
ORDER BY machine_id, side, case_no, step_order, outcome
