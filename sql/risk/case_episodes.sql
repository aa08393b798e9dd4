-- purpose: how many episodes each case has: they come in bunches, so many of them are not so many chances.
-- grain: one row a machine, side and case
-- inputs: case_file
-- parameters: fault
-- output: machine_id, episodes
SELECT machine_id, episodes
FROM case_file
WHERE fault = $fault
ORDER BY machine_id, side, case_no
