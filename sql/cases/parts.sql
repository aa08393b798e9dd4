-- purpose: age and variant of the followed parts of the cases of a family.
-- grain: one row a case and component
-- inputs: case_part
-- parameters: fault
-- output: machine_id, side, case_no, component, variant, age_tenths
SELECT machine_id, side, case_no, component, variant, age_tenths
FROM case_part
WHERE fault = $fault
ORDER BY machine_id, side, case_no, component
