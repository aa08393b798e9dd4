-- purpose: one component's lives, to be counted into the risk table of `survival` in memory: few lives share an age, so
--   that grouping them in the store costs more than handing them over.
-- grain: one row a life, in no order
-- inputs: component_life
-- parameters: component, cause (a finding; NULL = any failure), sites, build_years, machines (lists; NULL = all)
-- strata: build_year, variant, side, sensor_kind, site, make, model, machine_type, control
-- output: the stratum columns, entry, hours (component age in tenths of a running hour; at risk on (entry, hours]), failed
--   (1 or 0)
SELECT
    /*strata*/
    -- narrow numbers: what is handed over is as much work as what is read, and a meter's hours are bounded
    CAST(entry AS INTEGER) AS entry,
    CAST(hours AS INTEGER) AS hours,
    CAST(failed AND COALESCE(cause = $cause, $cause IS NULL) AS SMALLINT) AS failed
FROM component_life
