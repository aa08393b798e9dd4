-- purpose: everything done on one machine.
-- grain: one row a work line
-- inputs: work_step
-- parameters: machine_id
-- output: at, hours, work_order_id, component, side, action, result, finding, labour_hours, parts_cost, note
SELECT
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
WHERE machine_id = $machine_id
ORDER BY moment, work_order_id, line_no
