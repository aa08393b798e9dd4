-- purpose: the work of each case: the steps taken from its first report until the next case begins, with the cause that
--   a finding confirms, and how the repair attempts among them held.
-- grain: one row a case, work line and step
-- inputs: case_span, case_step, outcome, family_confirm
-- output: fault, machine_id, side, case_no, moment, tenths, work_order_id, line_no, step, step_order, kind, action, result,
--   finding, labour_hours, parts_cost, cause (NULL = the finding confirms none), is_attempt (it is its visit's repair
--   attempt), held_tenths, came_back, outcome, back_at (as of outcome; NULL = no attempt)
SELECT
    case_span.fault,
    case_span.machine_id,
    case_span.side,
    case_span.case_no,
    case_step.moment,
    case_step.tenths,
    case_step.work_order_id,
    case_step.line_no,
    case_step.step,
    case_step.step_order,
    case_step.kind,
    case_step.action,
    case_step.result,
    case_step.finding,
    case_step.labour_hours,
    case_step.parts_cost,
    family_confirm.cause,
    outcome.work_order_id IS NOT NULL AS is_attempt,
    outcome.held_tenths,
    outcome.came_back,
    outcome.outcome,
    outcome.back_at
FROM case_span
INNER JOIN case_step
    ON case_step.fault = case_span.fault
    AND case_step.machine_id = case_span.machine_id
    AND case_step.side = case_span.side
    AND case_step.moment >= case_span.first_at
    AND (case_span.until IS NULL OR case_step.moment < case_span.until)
LEFT JOIN outcome
    ON outcome.fault = case_step.fault
    AND outcome.machine_id = case_step.machine_id
    AND outcome.side = case_step.side
    AND outcome.work_order_id = case_step.work_order_id
    AND outcome.line_no = case_step.line_no
    AND outcome.step = case_step.step
LEFT JOIN family_confirm
    ON family_confirm.fault = case_step.fault
    AND family_confirm.step = case_step.step
    AND family_confirm.finding = case_step.finding
