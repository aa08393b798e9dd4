-- purpose: product identification numbers that stand at more than one machine.
-- grain: one row a machine
-- inputs: machines
-- unit: machines
-- output: pin, machine_id
SELECT pin, machine_id
FROM machines
WHERE pin IN (SELECT pin FROM machines WHERE pin IS NOT NULL GROUP BY pin HAVING COUNT(*) > 1)
ORDER BY pin, machine_id
