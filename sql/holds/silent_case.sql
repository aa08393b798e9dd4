-- purpose: cases that stood open when their machine was last heard of: nothing says that they are over.
-- grain: one row a machine and side
-- inputs: case_file
-- parameters: fault
-- output: machine_id, side, first_at, last_at (first and last report of the case)
SELECT machine_id, side, first_at, last_at
FROM case_file
WHERE fault = $fault AND state = 'silent' AND NOT answered
ORDER BY machine_id, side
