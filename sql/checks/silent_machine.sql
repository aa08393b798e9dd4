-- purpose: machines in the fleet that have not been heard of for too long to be taken as at work.
-- grain: one row a machine
-- inputs: machine
-- unit: machines
-- output: machine_id, record_ends
SELECT machine_id, record_ends
FROM machine
WHERE leaves = 'records_end' AND record_ends < (SELECT MAX(record_ends) FROM machine)
ORDER BY machine_id
