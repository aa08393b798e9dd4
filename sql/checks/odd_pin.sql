-- purpose: product identification numbers that do not have the 17 characters of ISO 10261.
-- grain: one row a machine
-- inputs: machines
-- unit: machines
-- output: machine_id, pin
SELECT machine_id, pin
FROM machines
WHERE LENGTH(pin) <> 17
ORDER BY machine_id
