-- purpose: the fault reports of each machine.
-- grain: one row a report
-- inputs: numbered_report
-- parameters: machines (list), fault
-- output: machine_id, at, hours, side, origin, spn, fmi, code, description, episode
SELECT
    machine_id,
    moment AS "at",
    tenths / 10.0 AS hours,
    side,
    origin,
    spn,
    fmi,
    code,
    text AS description,
    episode
FROM numbered_report
WHERE ARRAY_CONTAINS($machines, machine_id) AND fault = $fault
ORDER BY machine_id, moment, side, origin, file_id, row_no
