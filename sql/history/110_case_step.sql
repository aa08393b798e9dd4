-- purpose: the work steps that answer a reported fault: a step of the family, on a machine and side that reported it
--   shortly before.
-- grain: one row a fault family, side and work line
-- inputs: work_step, family_step, sided_report, family_window
-- output: fault, machine_id, side, moment, tenths, work_order_id, line_no, step, step_order, kind ('inspect' or 'cure'),
--   component, action, result, finding, variant, labour_hours, labour_cost, parts_cost
WITH answered AS (
    SELECT DISTINCT
        family_step.fault,
        work_step.work_order_id,
        work_step.line_no,
        CASE WHEN work_step.side <> '' THEN work_step.side ELSE sided_report.side END AS side
    FROM work_step
    INNER JOIN family_step
        ON family_step.component = work_step.component AND family_step.action = work_step.action
    INNER JOIN family_window ON family_window.fault = family_step.fault
    INNER JOIN sided_report
        ON sided_report.fault = family_step.fault
        AND sided_report.machine_id = work_step.machine_id
        AND sided_report.moment <= work_step.moment
        AND sided_report.moment >= work_step.moment - family_window.answer_days * INTERVAL 1 DAY
        AND (sided_report.side = work_step.side OR work_step.side = '' OR sided_report.side = '')
)
SELECT
    answered.fault,
    work_step.machine_id,
    answered.side,
    work_step.moment,
    work_step.tenths,
    work_step.work_order_id,
    work_step.line_no,
    family_step.step,
    family_step.step_order,
    family_step.kind,
    work_step.component,
    work_step.action,
    work_step.result,
    work_step.finding,
    work_step.variant,
    work_step.labour_hours,
    work_step.labour_cost,
    work_step.parts_cost
FROM answered
INNER JOIN work_step
    ON work_step.work_order_id = answered.work_order_id AND work_step.line_no = answered.line_no
INNER JOIN family_step
    ON family_step.fault = answered.fault
    AND family_step.component = work_step.component
    AND family_step.action = work_step.action
