-- purpose: one component's lives for an analyst's own work, in hours
-- grain: one row a machine, side and fitting
-- inputs: spell
-- parameters: component, sites, build_years, machines (lists; NULL = all)
-- output: machine_id, component, side, fit, variant, fitted_at, ended_at, entry_hours, exit_hours (component age in
--   running hours; at risk on (entry_hours, exit_hours]), failed, cause, end_reason, estimated, build_year, make, model,
--   machine_type, control, site, sensor_kind
SELECT
    machine_id,
    component,
    side,
    fit,
    variant,
    fitted_at,
    ended_at,
    entry / 10.0 AS entry_hours,
    hours / 10.0 AS exit_hours,
    failed,
    cause,
    end_reason,
    estimated,
    build_year,
    make,
    model,
    machine_type,
    control,
    site,
    sensor_kind
FROM spell
WHERE component = $component
    AND entry < hours
    AND ($sites IS NULL OR ARRAY_CONTAINS($sites, site))
    AND ($build_years IS NULL OR ARRAY_CONTAINS($build_years, build_year))
    AND ($machines IS NULL OR ARRAY_CONTAINS($machines, machine_id))
ORDER BY machine_id, side, fit
