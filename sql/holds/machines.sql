-- purpose: where each machine is and when it was last heard of, for whoever has to keep it from use.
-- grain: one row a machine of the fleet that has not left it
-- inputs: machine, record, rentals
-- parameters: as_of_end
-- output: machine_id, site, last_heard_at (NULL = nothing on record), on_rent_since (NULL = not out)
WITH out AS (
    SELECT machine_id, MAX(out_at) AS on_rent_since
    FROM rentals
    WHERE out_at < $as_of_end AND (in_at IS NULL OR in_at >= $as_of_end)
    GROUP BY machine_id
)
SELECT machine.machine_id, machine.site, record.last_at AS last_heard_at, out.on_rent_since
FROM machine
LEFT JOIN record ON record.machine_id = machine.machine_id
LEFT JOIN out ON out.machine_id = machine.machine_id
WHERE machine.leaves <> 'disposed'
ORDER BY machine.machine_id
