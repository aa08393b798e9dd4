-- purpose: parts replaced to cure a fault without a word on how the old one was: they count as no failure.
-- grain: one row a work line and side
-- inputs: case_step
-- unit: work_lines
-- output: work_order_id, line_no, machine_id, component
SELECT DISTINCT work_order_id, line_no, machine_id, component
FROM case_step
WHERE finding IS NULL AND action = 'replace'
ORDER BY work_order_id, line_no
