-- purpose: the steps done under work orders, with their time and the machine's running hours.
-- grain: one row a work line done by the as-of date (cancelled orders left out)
-- inputs: machine, work_orders, work_lines, clock
-- parameters: as_of_end
-- output: work_order_id, line_no, machine_id, moment, tenths, component, side ('' = not told), action, result, finding,
--   variant, quantity, labour_hours, labour_cost, parts_cost, note, complaint
SELECT
    work_lines.work_order_id,
    work_lines.line_no,
    work_orders.machine_id,
    clock.moment,
    clock.tenths,
    work_lines.component,
    COALESCE(work_lines.side, '') AS side,
    work_lines.action,
    work_lines.result,
    work_lines.finding,
    work_lines.variant,
    work_lines.quantity,
    work_lines.labour_hours,
    work_lines.labour_cost,
    work_lines.parts_cost,
    work_lines.note,
    work_orders.complaint
FROM work_lines
INNER JOIN work_orders ON work_orders.work_order_id = work_lines.work_order_id
INNER JOIN machine ON machine.machine_id = work_orders.machine_id
INNER JOIN clock
    ON clock.machine_id = work_orders.machine_id
    AND clock.moment = COALESCE(work_lines.done_at, work_orders.closed_at, work_orders.opened_at)
WHERE COALESCE(work_orders.status, '') <> 'cancelled'
    AND COALESCE(work_lines.done_at, work_orders.closed_at, work_orders.opened_at) < $as_of_end
