-- purpose: the single lives of a component, for variances that are robust to lives of one machine being alike.
-- grain: one row a life under observation
-- inputs: spell
-- parameters: component, sites, build_years, machines (lists; NULL = all)
-- output: machine_id, entry, hours (component age in tenths of a running hour), failed, and the columns a hazard can be
--   explained by: build_year, variant, side, sensor_kind, site, make, model, machine_type, control (text; '' = not known)
SELECT
    machine_id,
    entry,
    hours,
    CAST(failed AS BIGINT) AS failed,
    COALESCE(CAST(build_year AS VARCHAR), '') AS build_year,
    variant,
    side,
    sensor_kind,
    COALESCE(site, '') AS site,
    COALESCE(make, '') AS make,
    COALESCE(model, '') AS model,
    COALESCE(machine_type, '') AS machine_type,
    COALESCE(control, '') AS control
FROM spell
WHERE component = $component
    AND entry < hours
    AND ($sites IS NULL OR ARRAY_CONTAINS($sites, site))
    AND ($build_years IS NULL OR ARRAY_CONTAINS($build_years, build_year))
    AND ($machines IS NULL OR ARRAY_CONTAINS($machines, machine_id))
ORDER BY machine_id, component, side, fit
