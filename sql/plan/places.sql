-- purpose: the followed parts that are in a machine of the fleet now, with their age.
-- grain: one row a machine, component and side
-- inputs: spell, machine
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
    COALESCE(machine.site, '') AS site,
    COALESCE(machine.model, '') AS model,
    machine.machine_type,
    machine.build_year,
    machine.built_earliest
FROM spell
INNER JOIN machine ON machine.machine_id = spell.machine_id
WHERE spell.end_reason = 'records_end'
    AND spell.ended_at >= $as_of_end
    AND ($sites IS NULL OR ARRAY_CONTAINS($sites, machine.site))
    AND ($build_years IS NULL OR ARRAY_CONTAINS($build_years, machine.build_year))
    AND ($machines IS NULL OR ARRAY_CONTAINS($machines, machine.machine_id))
ORDER BY spell.machine_id, spell.component, spell.side
