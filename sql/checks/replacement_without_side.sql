-- purpose: replacements of a part that sits on both sides, the side not told: they censor both lives.
-- grain: one row a work line
-- inputs: work_step, family_part
-- unit: work_lines
-- output: work_order_id, line_no, machine_id, component
SELECT work_order_id, line_no, machine_id, component
FROM work_step
WHERE side = ''
    AND action IN ('replace', 'overhaul')
    AND component IN (SELECT component FROM family_part WHERE side <> '')
ORDER BY work_order_id, line_no
