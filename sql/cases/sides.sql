-- purpose: whether the other side of the machine began to report the fault at the same time.
-- grain: one row a case that is told by side
-- inputs: case_file, family_window
-- parameters: fault
-- output: machine_id, side, case_no, outcome ('one' or 'both')
SELECT
    case_file.machine_id,
    case_file.side,
    case_file.case_no,
    CASE WHEN COUNT(other_side.case_no) > 0 THEN 'both' ELSE 'one' END AS outcome
FROM case_file
INNER JOIN family_window ON family_window.fault = case_file.fault
LEFT JOIN case_file AS other_side
    ON other_side.fault = case_file.fault
    AND other_side.machine_id = case_file.machine_id
    AND other_side.side <> case_file.side
    AND other_side.side <> ''
    AND ABS(EPOCH(other_side.first_at) - EPOCH(case_file.first_at)) < family_window.episode_days * 86400
WHERE case_file.fault = $fault AND case_file.side <> ''
GROUP BY case_file.machine_id, case_file.side, case_file.case_no
ORDER BY case_file.machine_id, case_file.side, case_file.case_no
