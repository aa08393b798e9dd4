-- purpose: the steps done under work orders, with their time and the machine's running hours: the typed lines, their
--   empty cells filled by what their text tells, and the steps that only the text tells of, as far as either counts.
-- grain: one row a work line, or told step, done by the as-of date (cancelled orders left out)
-- inputs: machine, work_orders, work_lines, filled_line, text_step, clock
-- parameters: as_of_end
-- output: work_order_id, line_no, machine_id, moment, tenths, component, side ('' = not told), action, result, finding,
--   variant, quantity, labour_hours, labour_cost, parts_cost, note, complaint, told (TRUE: from the text alone)
WITH step AS (
    SELECT
        work_lines.work_order_id,
        work_lines.line_no,
        work_lines.done_at,
        work_lines.component,
        COALESCE(work_lines.side, filled_line.side) AS side,
        work_lines.action,
        COALESCE(work_lines.result, filled_line.result) AS result,
        COALESCE(work_lines.finding, filled_line.finding) AS finding,
        work_lines.variant,
        work_lines.quantity,
        work_lines.labour_hours,
        work_lines.labour_cost,
        work_lines.parts_cost,
        work_lines.note,
        FALSE AS told
    FROM work_lines
    LEFT JOIN filled_line
        ON filled_line.work_order_id = work_lines.work_order_id AND filled_line.line_no = work_lines.line_no
    UNION ALL
    SELECT
        work_order_id,
        line_no,
        CAST(NULL AS TIMESTAMP),
        component,
        side,
        action,
        result,
        finding,
        CAST(NULL AS VARCHAR),
        CAST(NULL AS DOUBLE),
        CAST(NULL AS DOUBLE),
        CAST(NULL AS DOUBLE),
        CAST(NULL AS DOUBLE),
        words,
        TRUE
    FROM text_step
)
SELECT
    step.work_order_id,
    step.line_no,
    work_orders.machine_id,
    clock.moment,
    clock.tenths,
    step.component,
    COALESCE(step.side, '') AS side,
    step.action,
    step.result,
    step.finding,
    step.variant,
    step.quantity,
    step.labour_hours,
    step.labour_cost,
    step.parts_cost,
    step.note,
    work_orders.complaint,
    step.told
FROM step
INNER JOIN work_orders ON work_orders.work_order_id = step.work_order_id
INNER JOIN machine ON machine.machine_id = work_orders.machine_id
INNER JOIN clock
    ON clock.machine_id = work_orders.machine_id
    AND clock.moment = COALESCE(step.done_at, work_orders.closed_at, work_orders.opened_at)
WHERE COALESCE(work_orders.status, '') <> 'cancelled'
    AND COALESCE(step.done_at, work_orders.closed_at, work_orders.opened_at) < $as_of_end
