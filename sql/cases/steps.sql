-- purpose: which steps of a family have been done in each case, and how often. A look at a part is not yet its repair.
-- grain: one row a case and step
-- inputs: weighed_work
-- parameters: fault
-- output: machine_id, side, case_no, step, visits (in so many it was done)
SELECT machine_id, side, weighed_no AS case_no, step, COUNT(DISTINCT work_order_id) AS visits
FROM weighed_work
WHERE kind = 'inspect' OR action NOT IN ('inspect', 'test')
GROUP BY machine_id, side, weighed_no, step
ORDER BY machine_id, side, case_no, step
