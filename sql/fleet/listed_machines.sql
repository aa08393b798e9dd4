-- purpose: what a question can be restricted to, so that a slip is refused instead of reading as all-clear
-- grain: one row a machine of the history
-- inputs: machine
-- output: machine_id, site, build_year
SELECT machine_id, site, build_year FROM machine
