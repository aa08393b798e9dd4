-- purpose: the stretch of running hours over which each machine's fault episodes would be on record.
-- grain: one row a machine that can have the fault
-- inputs: exposed_machine, episode
-- parameters: fault, sites, build_years, machines (lists; NULL = all)
-- output: machine_id, site, build_year, make, model, machine_type, entry, hours (running hours of the machine, in
--   tenths, at the beginning and end of its records), episodes
WITH counted AS (
    SELECT machine_id, COUNT(*) AS episodes FROM episode WHERE fault = $fault GROUP BY machine_id
)
SELECT
    exposed_machine.machine_id,
    exposed_machine.site,
    exposed_machine.build_year,
    exposed_machine.make,
    exposed_machine.model,
    exposed_machine.machine_type,
    exposed_machine.entry,
    exposed_machine.hours,
    COALESCE(counted.episodes, 0) AS episodes
FROM exposed_machine
LEFT JOIN counted ON counted.machine_id = exposed_machine.machine_id
ORDER BY exposed_machine.machine_id
