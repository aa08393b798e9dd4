-- purpose: replacements of a followed part without a word on how the old one was: they count as no failure.
-- grain: one row a work line
-- inputs: work_step, family_part
-- unit: work_lines
-- output: work_order_id, line_no, machine_id, component
SELECT work_order_id, line_no, machine_id, component
FROM work_step
WHERE finding IS NULL
    AND action IN ('replace', 'overhaul')
    AND component IN (SELECT component FROM family_part)
ORDER BY work_order_id, line_no
