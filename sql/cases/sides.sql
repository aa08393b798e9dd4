-- purpose: whether the other side of the machine began to report the fault at the same time.
-- grain: one row a case that is told by side
-- inputs: weighed_case, case_file, family_window
-- parameters: fault
-- output: machine_id, side, case_no, outcome ('one' or 'both')
SELECT
    weighed_case.machine_id,
    weighed_case.side,
    weighed_case.case_no,
    CASE WHEN COUNT(other_side.case_no) > 0 THEN 'both' ELSE 'one' END AS outcome
FROM weighed_case
INNER JOIN family_window ON family_window.fault = $fault
LEFT JOIN case_file AS other_side
    ON other_side.fault = $fault
    AND other_side.machine_id = weighed_case.machine_id
    AND other_side.side <> weighed_case.side
    AND other_side.side <> ''
    AND ABS(EPOCH(other_side.first_at) - EPOCH(weighed_case.first_at)) < family_window.episode_days * 86400
WHERE weighed_case.side <> ''
GROUP BY weighed_case.machine_id, weighed_case.side, weighed_case.case_no
ORDER BY weighed_case.machine_id, weighed_case.side, weighed_case.case_no
