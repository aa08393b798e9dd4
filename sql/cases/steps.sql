-- purpose: which steps of a family have been done in each case. A look at a part is not yet its repair.
-- grain: one row a case and step
-- inputs: weighed_work
-- parameters: fault
-- output: machine_id, side, case_no, step
SELECT DISTINCT machine_id, side, weighed_no AS case_no, step
FROM weighed_work
WHERE kind = 'inspect' OR action NOT IN ('inspect', 'test')
ORDER BY machine_id, side, case_no, step
