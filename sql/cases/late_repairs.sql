-- purpose: repairs on record that came too late after a case's last report to answer it, and may have ended its fault all the same.
-- grain: one row a weighed case and step, of cases that no repair answers and that nothing followed
-- inputs: weighed_case, work_step, family_step, case_work
-- parameters: fault, as_of_end
-- output: machine_id, side, case_no, step
SELECT DISTINCT weighed_case.machine_id, weighed_case.side, weighed_case.case_no, family_step.step
FROM weighed_case
INNER JOIN work_step
    ON work_step.machine_id = weighed_case.machine_id
    AND work_step.side = weighed_case.side
    AND work_step.moment > weighed_case.last_at
    AND work_step.moment < COALESCE(weighed_case.until, $as_of_end)
INNER JOIN family_step
    ON family_step.fault = $fault
    AND family_step.component = work_step.component
    AND family_step.action = work_step.action
LEFT JOIN case_work
    ON case_work.fault = $fault
    AND case_work.work_order_id = work_step.work_order_id
    AND case_work.line_no = work_step.line_no
    AND case_work.side = work_step.side
WHERE
    NOT weighed_case.answered
    AND (weighed_case.until IS NULL OR weighed_case.seen_tenths IS NOT NULL)
    AND family_step.kind = 'cure'
    AND family_step.action NOT IN ('inspect', 'test')
    AND COALESCE(work_step.result, '') <> 'failed'
    AND case_work.work_order_id IS NULL
ORDER BY weighed_case.machine_id, weighed_case.side, weighed_case.case_no, family_step.step
