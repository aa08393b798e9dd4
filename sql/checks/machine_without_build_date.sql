-- purpose: machines whose build date is not known: their factory parts cannot be inferred.
-- grain: one row a machine
-- inputs: machines
-- unit: machines
-- output: machine_id, site
SELECT machine_id, site
FROM machines
WHERE build_date IS NULL
ORDER BY machine_id
