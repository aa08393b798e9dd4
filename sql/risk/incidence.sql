-- purpose: the risk table of every way in which a component's life ends.
-- grain: one row a stratum, component age and way of ending ('' = came under observation, or left it still running)
-- inputs: component_life
-- parameters: component, sites, build_years, machines (lists; NULL = all)
-- strata: build_year, variant, side, sensor_kind, site, make, model, machine_type, control
-- output: the stratum columns, hours (component age in tenths of a running hour), ending (finding of a failure,
--   'replaced_sound' - those that say nothing of the old part, see unknown_endings, among them -, 'removed' or ''),
--   entering, leaving (counts)
WITH life AS (
    SELECT
        /*strata*/
        entry,
        hours,
        CASE
            WHEN failed THEN cause
            WHEN end_reason = 'replaced' THEN 'replaced_sound'
            WHEN end_reason = 'removed' THEN 'removed'
            ELSE ''
        END AS ending
    FROM component_life
),
boundary AS (
    SELECT /*strata*/ entry AS hours, '' AS ending, COUNT(*) AS entering, 0 AS leaving
    FROM life
    GROUP BY /*strata*/ entry
    UNION ALL
    SELECT /*strata*/ hours, ending, 0, COUNT(*)
    FROM life
    GROUP BY /*strata*/ hours, ending
)
SELECT
    /*strata*/
    hours,
    ending,
    CAST(SUM(entering) AS BIGINT) AS entering,
    CAST(SUM(leaving) AS BIGINT) AS leaving
FROM boundary
GROUP BY /*strata*/ hours, ending
ORDER BY /*strata*/ hours, ending
