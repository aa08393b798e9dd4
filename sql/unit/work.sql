-- purpose: everything done on each machine, also where its running hours are not known.
-- grain: one row a work line
-- inputs: work_step, work_lines, work_orders
-- parameters: machines (list), as_of_end
-- output: machine_id, at, hours, work_order_id, component, side, action, result, finding, labour_hours, parts_cost, note
WITH line AS (
    SELECT
        machine_id,
        moment,
        tenths / 10.0 AS hours,
        work_order_id,
        line_no,
        component,
        side,
        action,
        result,
        finding,
        labour_hours,
        parts_cost,
        note
    FROM work_step
    WHERE ARRAY_CONTAINS($machines, machine_id)
    UNION ALL
    -- The history leaves out what has no place on a machine's running hours; here it counts all the same.
    SELECT
        work_orders.machine_id,
        COALESCE(work_lines.done_at, work_orders.closed_at, work_orders.opened_at),
        NULL,
        work_lines.work_order_id,
        work_lines.line_no,
        work_lines.component,
        COALESCE(work_lines.side, ''),
        work_lines.action,
        work_lines.result,
        work_lines.finding,
        work_lines.labour_hours,
        work_lines.parts_cost,
        work_lines.note
    FROM work_lines
    INNER JOIN work_orders ON work_orders.work_order_id = work_lines.work_order_id
    LEFT JOIN work_step ON work_step.work_order_id = work_lines.work_order_id AND work_step.line_no = work_lines.line_no
    WHERE ARRAY_CONTAINS($machines, work_orders.machine_id)
        AND work_step.work_order_id IS NULL
        AND COALESCE(work_orders.status, '') <> 'cancelled'
        AND COALESCE(work_lines.done_at, work_orders.closed_at, work_orders.opened_at) < $as_of_end
)
SELECT
    machine_id,
    moment AS "at",
    hours,
    work_order_id,
    component,
    side,
    action,
    result,
    finding,
    labour_hours,
    parts_cost,
    note
FROM line
ORDER BY machine_id, moment, work_order_id, line_no
