-- purpose: the repair attempts of one machine and how they held.
-- grain: one row an attempt and side
-- inputs: outcome
-- parameters: machine_id, fault
-- output: at, hours, side, step, component, finding, outcome, held_hours, work_order_id
SELECT
    moment AS "at",
    tenths / 10.0 AS hours,
    side,
    step,
    component,
    finding,
    outcome,
    held_tenths / 10.0 AS held_hours,
    work_order_id
FROM outcome
WHERE machine_id = $machine_id AND fault = $fault
ORDER BY moment, side, work_order_id
