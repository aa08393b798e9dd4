-- purpose: what happens to a fault: its reports, and the repairs that may have ended it.
-- grain: one row a report or repair
-- inputs: numbered_report, fault_repair
-- parameters: fault
-- output: machine_id, side, moment, tenths, is_repair (1 = a repair, else 0)
SELECT machine_id, side, moment, tenths, 0 AS is_repair
FROM numbered_report
WHERE fault = $fault
UNION ALL
SELECT DISTINCT machine_id, side, moment, tenths, 1
FROM fault_repair
