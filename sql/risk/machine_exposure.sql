-- purpose: the stretch of running hours over which each machine's fault episodes would be on record.
-- grain: one row a machine that can have the fault
-- inputs: machine, clock, family_machine, episode
-- parameters: fault, sites, build_years, machines (lists; NULL = all)
-- output: machine_id, site, build_year, make, model, machine_type, entry, hours (running hours of the machine, in
--   tenths, at the beginning and end of its records), episodes
WITH counted AS (
    SELECT machine_id, COUNT(*) AS episodes FROM episode WHERE fault = $fault GROUP BY machine_id
)
SELECT
    machine.machine_id,
    machine.site,
    machine.build_year,
    machine.make,
    machine.model,
    machine.machine_type,
    begin_clock.tenths AS entry,
    last_clock.tenths AS hours,
    COALESCE(counted.episodes, 0) AS episodes
FROM machine
INNER JOIN family_machine
    ON family_machine.fault = $fault
    AND family_machine.machine_type = COALESCE(machine.machine_type, '')
    AND family_machine.control = COALESCE(machine.control, '')
INNER JOIN clock AS begin_clock ON begin_clock.machine_id = machine.machine_id AND begin_clock.moment = machine.record_begins
INNER JOIN clock AS last_clock ON last_clock.machine_id = machine.machine_id AND last_clock.moment = machine.record_ends
LEFT JOIN counted ON counted.machine_id = machine.machine_id
WHERE begin_clock.tenths < last_clock.tenths
    AND ($sites IS NULL OR ARRAY_CONTAINS($sites, machine.site))
    AND ($build_years IS NULL OR ARRAY_CONTAINS($build_years, machine.build_year))
    AND ($machines IS NULL OR ARRAY_CONTAINS($machines, machine.machine_id))
ORDER BY machine.machine_id
