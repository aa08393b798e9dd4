-- purpose: the fault reports of one machine.
-- grain: one row a report
-- inputs: numbered_report
-- parameters: machine_id, fault
-- output: at, hours, side, origin, spn, fmi, code, description, episode
SELECT moment AS "at", tenths / 10.0 AS hours, side, origin, spn, fmi, code, text AS description, episode
FROM numbered_report
WHERE machine_id = $machine_id AND fault = $fault
ORDER BY moment, side, origin, file_id, row_no
