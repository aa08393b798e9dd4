-- purpose: when one machine was out on rent.
-- grain: one row a rental
-- inputs: rentals
-- parameters: machine_id, as_of_end
-- output: out_at, in_at, day_rate
SELECT out_at, CASE WHEN in_at < $as_of_end THEN in_at END AS in_at, day_rate
FROM rentals
WHERE machine_id = $machine_id AND out_at < $as_of_end
ORDER BY out_at
