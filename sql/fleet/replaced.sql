-- purpose: the parts that stretches of time replaced for a fault, with the case in which each was replaced.
-- grain: one row a stretch, work line that replaces a part, and case
-- inputs: asked_time (handed over: stretch, from_at, until_at), weighed_case, case_step, scoped_machine
-- parameters: fault, labour_rate (per labour hour, where a line has hours but no labour cost), sites, build_years,
--   machines (lists; NULL = all)
-- output: stretch, machine_id, side, case_no, step, component, share (of the line's one part that falls to the case: a line without a
--   side may serve the cases of both), cost (of that share)
WITH line AS (
    SELECT DISTINCT
        asked_time.stretch,
        case_step.machine_id,
        case_step.side,
        weighed_case.case_no,
        case_step.work_order_id,
        case_step.line_no,
        case_step.step,
        case_step.component,
        COALESCE(case_step.labour_cost, case_step.labour_hours * $labour_rate, 0.0)
        + COALESCE(case_step.parts_cost, 0.0) AS cost
    FROM weighed_case
    INNER JOIN scoped_machine ON scoped_machine.machine_id = weighed_case.machine_id
    INNER JOIN case_step
        ON case_step.fault = $fault
        AND case_step.machine_id = weighed_case.machine_id
        AND case_step.side = weighed_case.side
        AND case_step.moment >= weighed_case.first_at
        AND (weighed_case.until IS NULL OR case_step.moment < weighed_case.until)
    INNER JOIN asked_time ON case_step.moment >= asked_time.from_at AND case_step.moment < asked_time.until_at
    WHERE case_step.action = 'replace' AND case_step.kind = 'cure'
),
shared AS (
    SELECT line.*, 1.0 / COUNT(*) OVER (PARTITION BY stretch, work_order_id, line_no) AS share
    FROM line
)
SELECT
    stretch,
    machine_id,
    side,
    case_no,
    step,
    component,
    CAST(share AS DOUBLE) AS share,
    CAST(share * cost AS DOUBLE) AS cost
FROM shared
ORDER BY stretch, machine_id, side, case_no, work_order_id, line_no
