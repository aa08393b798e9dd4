-- purpose: lives that ended by a replacement which says nothing about the old part: neither that it had failed nor that
--   it was sound (no finding, no side, or only that the larger part it belongs to was replaced).
-- grain: one row a stratum and component age
-- inputs: component_life, work_step
-- parameters: component, sites, build_years, machines (lists; NULL = all)
-- strata: build_year, variant, side, sensor_kind, site, make, model, machine_type, control
-- output: the stratum columns, hours (component age in tenths of a running hour), lives (count)
WITH replaced AS (
    SELECT *
    FROM component_life
    WHERE end_reason = 'replaced'
),
-- What was said of the part within the week before its replacement, over which one fitting can be told.
stated AS (
    SELECT DISTINCT replaced.machine_id, replaced.side, replaced.fit
    FROM replaced
    INNER JOIN work_step
        ON work_step.machine_id = replaced.machine_id
        AND work_step.component = replaced.component
        AND (work_step.side = replaced.side OR replaced.side = '')
        AND work_step.action IN ('replace', 'overhaul')
        AND COALESCE(work_step.finding, '') <> ''
        AND work_step.moment > replaced.fitted_at
        AND work_step.moment BETWEEN replaced.ended_at - INTERVAL 7 DAY AND replaced.ended_at
)
SELECT
    /*strata of replaced*/
    replaced.hours,
    COUNT(*) AS lives
FROM replaced
LEFT JOIN stated ON stated.machine_id = replaced.machine_id AND stated.side = replaced.side AND stated.fit = replaced.fit
WHERE stated.machine_id IS NULL
GROUP BY /*strata of replaced*/ replaced.hours
ORDER BY /*strata of replaced*/ replaced.hours
