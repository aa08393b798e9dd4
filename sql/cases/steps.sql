-- purpose: which steps of a family have been done in each case. A look at a part is not yet its repair.
-- grain: one row a case and step
-- inputs: case_file, case_step
-- parameters: fault
-- output: machine_id, side, case_no, step
SELECT DISTINCT case_file.machine_id, case_file.side, case_file.case_no, case_step.step
FROM case_file
INNER JOIN case_step
    ON case_step.fault = case_file.fault
    AND case_step.machine_id = case_file.machine_id
    AND case_step.side = case_file.side
    AND case_step.moment >= case_file.first_at
    AND (case_file.until IS NULL OR case_step.moment < case_file.until)
WHERE case_file.fault = $fault AND (case_step.kind = 'inspect' OR case_step.action NOT IN ('inspect', 'test'))
ORDER BY case_file.machine_id, case_file.side, case_file.case_no, case_step.step
