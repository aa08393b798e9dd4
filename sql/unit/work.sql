-- purpose: everything done on each machine.
-- grain: one row a work line
-- inputs: work_step
-- parameters: machines (list)
-- output: machine_id, at, hours, work_order_id, component, side, action, result, finding, labour_hours, parts_cost, note
SELECT
    machine_id,
    moment AS "at",
    tenths / 10.0 AS hours,
    work_order_id,
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
ORDER BY machine_id, moment, work_order_id, line_no
