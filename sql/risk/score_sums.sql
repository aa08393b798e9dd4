-- purpose: what each machine's lives add to the score of a Cox model, up to 8 coefficients at a time (see score_sum).
-- grain: one row a machine with a life in one of the cells
-- inputs: component_life, score_sum
-- parameters: component, sites, build_years, machines (lists; NULL = all)
-- strata: build_year, variant, side, sensor_kind, site, make, model, machine_type, control
-- output: machine_id, sum_1, sum_2, sum_3, sum_4, sum_5, sum_6, sum_7, sum_8
WITH life AS (
    SELECT
        machine_id,
        component,
        entry,
        hours,
        failed,
        COALESCE(CAST(build_year AS VARCHAR), 'unknown') AS build_year,
        COALESCE(variant, 'unknown') AS variant,
        COALESCE(side, 'unknown') AS side,
        COALESCE(sensor_kind, 'unknown') AS sensor_kind,
        COALESCE(site, 'unknown') AS site,
        COALESCE(make, 'unknown') AS make,
        COALESCE(model, 'unknown') AS model,
        COALESCE(machine_type, 'unknown') AS machine_type,
        COALESCE(control, 'unknown') AS control
    FROM component_life
)
/*with score_sum*/
SELECT *
FROM score_sum
ORDER BY machine_id
