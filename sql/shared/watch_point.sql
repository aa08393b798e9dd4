-- purpose: the points in time at which a side is looked at for early signs: as it stands today, and at the beginning of
--   stretches of running hours that have gone by under observation, from which is learnt what a sign is worth.
-- grain: one row a machine that can have the fault, side and point
-- inputs: machine, scoped_machine, machine_hours, family_machine, family_side, landmark (tenths of running hours at which
--   stretches begin)
-- parameters: fault, as_of_end, ahead (length of a stretch in tenths), latest (so many stretches of each side, the latest
--   first), sites, build_years, machines (lists; NULL = all; of the sides of today)
-- output: machine_id, side, tenths (running hours of the machine), is_now, site, model, build_year
WITH able AS (
    SELECT
        machine.machine_id,
        family_side.side,
        machine.site,
        machine.model,
        machine.build_year,
        machine.leaves = 'records_end' AND machine.record_ends >= $as_of_end AS is_watched,
        machine_hours.begin_tenths,
        machine_hours.end_tenths
    FROM machine
    INNER JOIN family_machine
        ON family_machine.fault = $fault
        AND family_machine.machine_type = COALESCE(machine.machine_type, '')
        AND family_machine.control = COALESCE(machine.control, '')
    INNER JOIN family_side ON family_side.fault = $fault
    INNER JOIN machine_hours ON machine_hours.machine_id = machine.machine_id
),
gone_by AS (
    SELECT
        able.*,
        landmark.tenths,
        ROW_NUMBER() OVER (PARTITION BY able.machine_id, able.side ORDER BY landmark.tenths DESC) AS latest
    FROM able
    INNER JOIN landmark
        ON landmark.tenths >= able.begin_tenths + $ahead AND landmark.tenths + $ahead <= able.end_tenths
)
SELECT machine_id, side, tenths, FALSE AS is_now, site, model, build_year FROM gone_by WHERE latest <= $latest
UNION ALL
SELECT able.machine_id, able.side, able.end_tenths, TRUE, able.site, able.model, able.build_year
FROM able
INNER JOIN scoped_machine ON scoped_machine.machine_id = able.machine_id
WHERE able.is_watched
