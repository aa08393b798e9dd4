-- purpose: the risk table of repairs: running hours from a repair to the fault's return.
-- grain: one row a stratum and time since the repair
-- inputs: outcome, machine
-- parameters: fault, sites, build_years, machines (lists; NULL = all)
-- strata: step, component, action, side, site, build_year
-- output: the stratum columns, hours (tenths of a running hour since the repair), entering, failed (came back), leaving
WITH followed AS (
    SELECT
        outcome.step,
        outcome.component,
        outcome.action,
        outcome.side,
        machine.site,
        machine.build_year,
        0 AS entry,
        -- A repair that never held came back within the first tenth of an hour.
        CASE WHEN outcome.came_back THEN GREATEST(1, outcome.held_tenths) ELSE outcome.held_tenths END AS hours,
        CAST(outcome.came_back AS BIGINT) AS failed
    FROM outcome
    INNER JOIN machine ON machine.machine_id = outcome.machine_id
    WHERE outcome.fault = $fault
        AND (outcome.came_back OR outcome.held_tenths > 0)
        AND ($sites IS NULL OR ARRAY_CONTAINS($sites, machine.site))
        AND ($build_years IS NULL OR ARRAY_CONTAINS($build_years, machine.build_year))
        AND ($machines IS NULL OR ARRAY_CONTAINS($machines, machine.machine_id))
),
boundary AS (
    SELECT /*strata*/ entry AS hours, COUNT(*) AS entering, 0 AS failed, 0 AS leaving
    FROM followed
    GROUP BY /*strata*/ entry
    UNION ALL
    SELECT /*strata*/ hours, 0, SUM(failed), COUNT(*)
    FROM followed
    GROUP BY /*strata*/ hours
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
