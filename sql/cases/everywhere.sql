-- purpose: the sides that ever had a case.
-- grain: one row a machine and side
-- inputs: case_file
-- parameters: fault
-- output: machine_id, side
SELECT DISTINCT machine_id, side FROM case_file WHERE fault = $fault ORDER BY machine_id, side
