-- purpose: the risk table of one component's lives.
-- grain: one row a stratum and component age
-- inputs: spell
-- parameters: component, cause (a finding; NULL = any failure), sites, build_years, machines (lists; NULL = all)
-- strata: build_year, variant, side, sensor_kind, site, make, model, machine_type, control
-- output: the stratum columns, hours (component age in tenths of a running hour), entering, failed, leaving (counts)
WITH life AS (
    SELECT /*strata*/ entry, hours, CAST(failed AND COALESCE(cause = $cause, $cause IS NULL) AS BIGINT) AS failed
    FROM spell
    WHERE component = $component
        AND entry < hours
        AND ($sites IS NULL OR ARRAY_CONTAINS($sites, site))
        AND ($build_years IS NULL OR ARRAY_CONTAINS($build_years, build_year))
        AND ($machines IS NULL OR ARRAY_CONTAINS($machines, machine_id))
),
-- Counted once, below: few lives share an age, so counting entries and exits each beforehand only costs.
boundary AS (
    SELECT /*strata*/ entry AS hours, 1 AS entering, 0 AS failed, 0 AS leaving
    FROM life
    UNION ALL
    SELECT /*strata*/ hours, 0, failed, 1
    FROM life
)
SELECT
    /*strata*/
    hours,
    CAST(SUM(entering) AS BIGINT) AS entering,
    CAST(SUM(failed) AS BIGINT) AS failed,
    CAST(SUM(leaving) AS BIGINT) AS leaving
FROM boundary
GROUP BY /*strata*/ hours
ORDER BY /*strata*/ hours
