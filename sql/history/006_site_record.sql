-- purpose: since when each site has kept records: a machine bought long before was not under observation all that time.
-- grain: one row a site ('' = none named) with anything on record by the as-of date
-- inputs: machines, record
-- output: site, first_at
SELECT COALESCE(machines.site, '') AS site, MIN(record.first_at) AS first_at
FROM machines
INNER JOIN record ON record.machine_id = machines.machine_id
GROUP BY COALESCE(machines.site, '')
