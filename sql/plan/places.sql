-- purpose: the followed parts that are in a machine of the fleet now, with their age.
-- grain: one row a machine, component and side
-- inputs: spell, scoped_machine
-- parameters: as_of_end, sites, build_years, machines (lists; NULL = all)
-- output: machine_id, component, side, variant, age_tenths (component age now), inferred, fitted_at, site, model,
--   machine_type, build_year, built_earliest
SELECT
    spell.machine_id,
    spell.component,
    spell.side,
    spell.variant,
    spell.hours AS age_tenths,
    spell.inferred,
    spell.fitted_at,
    COALESCE(scoped_machine.site, '') AS site,
    COALESCE(scoped_machine.model, '') AS model,
    scoped_machine.machine_type,
    scoped_machine.build_year,
    scoped_machine.built_earliest
FROM spell
INNER JOIN scoped_machine ON scoped_machine.machine_id = spell.machine_id
WHERE spell.end_reason = 'records_end' AND spell.ended_at >= $as_of_end
ORDER BY spell.machine_id, spell.component, spell.side
