-- purpose: when each machine was out on rent.
-- grain: one row a rental
-- inputs: rentals
-- parameters: machines (list), as_of_end
-- output: machine_id, out_at, in_at, day_rate
SELECT machine_id, out_at, CASE WHEN in_at < $as_of_end THEN in_at END AS in_at, day_rate
FROM rentals
WHERE ARRAY_CONTAINS($machines, machine_id) AND out_at < $as_of_end
ORDER BY machine_id, out_at
