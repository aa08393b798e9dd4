-- purpose: reports of a fault whose side is neither told nor clear from the reports around them.
-- grain: one row a report
-- inputs: sided_report, family_side
-- unit: fault_codes
-- output: fault, machine_id, moment, origin
SELECT fault, machine_id, moment, origin
FROM sided_report
WHERE side = '' AND fault IN (SELECT fault FROM family_side WHERE side <> '')
ORDER BY fault, machine_id, moment
