-- purpose: the work that may have ended a fault: cures, but for a mere look at the part.
-- grain: one row a side, work line and step
-- inputs: case_step
-- parameters: fault
-- output: machine_id, side, moment, tenths, work_order_id, step, result
SELECT machine_id, side, moment, tenths, work_order_id, step, result
FROM case_step
WHERE fault = $fault AND kind = 'cure' AND action NOT IN ('inspect', 'test')
