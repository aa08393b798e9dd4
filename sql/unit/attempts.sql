-- purpose: the repair attempts of each machine and how they held.
-- grain: one row an attempt and side
-- inputs: outcome
-- parameters: machines (list), fault
-- output: machine_id, at, hours, side, step, component, finding, outcome, held_hours, work_order_id
SELECT
    machine_id,
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
WHERE ARRAY_CONTAINS($machines, machine_id) AND fault = $fault
ORDER BY machine_id, moment, side, work_order_id
