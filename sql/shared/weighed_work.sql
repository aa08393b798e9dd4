-- purpose: the work of each weighed case: what was done from its first report until the next case.
-- grain: one row a weighed case, work line and step
-- inputs: weighed_case, case_work
-- parameters: fault
-- output: the columns of case_work, weighed_no (case_no of the weighed case), last_at, until, seen_tenths (of the weighed case)
SELECT case_work.*, weighed_case.case_no AS weighed_no, weighed_case.last_at, weighed_case.until, weighed_case.seen_tenths
FROM weighed_case
INNER JOIN case_work
    ON case_work.fault = $fault
    AND case_work.machine_id = weighed_case.machine_id
    AND case_work.side = weighed_case.side
    AND case_work.moment >= weighed_case.first_at
    AND (weighed_case.until IS NULL OR case_work.moment < weighed_case.until)
