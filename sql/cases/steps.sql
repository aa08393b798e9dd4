-- purpose: which steps of a family have been done in each case. A look at a part is not yet its repair.
-- grain: one row a case and step
-- inputs: weighed_case, case_step
-- parameters: fault
-- output: machine_id, side, case_no, step
SELECT DISTINCT weighed_case.machine_id, weighed_case.side, weighed_case.case_no, case_step.step
FROM weighed_case
INNER JOIN case_step
    ON case_step.fault = $fault
    AND case_step.machine_id = weighed_case.machine_id
    AND case_step.side = weighed_case.side
    AND case_step.moment >= weighed_case.first_at
    AND (weighed_case.until IS NULL OR case_step.moment < weighed_case.until)
WHERE (case_step.kind = 'inspect' OR case_step.action NOT IN ('inspect', 'test'))
ORDER BY weighed_case.machine_id, weighed_case.side, weighed_case.case_no, case_step.step
