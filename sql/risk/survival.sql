-- purpose: the risk table of one component's lives.
-- grain: one row a stratum and component age
-- inputs: component_life, risk_table
-- parameters: component, cause (a finding; NULL = any failure), sites, build_years, machines (lists; NULL = all)
-- strata: build_year, variant, side, sensor_kind, site, make, model, machine_type, control
-- output: the stratum columns, hours (component age in tenths of a running hour), entering, failed, leaving (counts)
WITH life AS (
    SELECT /*strata*/ entry, hours, CAST(failed AND COALESCE(cause = $cause, $cause IS NULL) AS BIGINT) AS failed
    FROM component_life
)
/*with risk_table*/
SELECT *
FROM risk_table
ORDER BY /*strata*/ hours
