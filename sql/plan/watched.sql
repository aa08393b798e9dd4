-- purpose: the machines on the list, their site, and whether they are still watched on the as-of day.
-- grain: one row a machine
-- inputs: machine
-- parameters: as_of_end
-- output: machine_id, site ('' = not told), watched (in the fleet and heard of), silent (in the fleet, not heard of for
--   longer than the setting allows)
SELECT
    machine_id,
    COALESCE(site, '') AS site,
    leaves = 'records_end' AND record_ends >= $as_of_end AS watched,
    leaves = 'records_end' AND record_ends < $as_of_end AS silent
FROM machine
ORDER BY machine_id
