-- purpose: the risk table of repairs: running hours from a repair to the fault's return.
-- grain: one row a stratum and time since the repair
-- inputs: outcome, scoped_machine, risk_table
-- parameters: fault, sites, build_years, machines (lists; NULL = all)
-- strata: step, component, action, side, site, build_year
-- output: the stratum columns, hours (tenths of a running hour since the repair), entering, failed (came back), leaving
WITH life AS (
    SELECT
        outcome.step,
        outcome.component,
        outcome.action,
        outcome.side,
        scoped_machine.site,
        scoped_machine.build_year,
        0 AS entry,
        -- A repair that never held came back within the first tenth of an hour.
        CASE WHEN outcome.came_back THEN GREATEST(1, outcome.held_tenths) ELSE outcome.held_tenths END AS hours,
        CAST(outcome.came_back AS BIGINT) AS failed
    FROM outcome
    INNER JOIN scoped_machine ON scoped_machine.machine_id = outcome.machine_id
    WHERE outcome.fault = $fault AND (outcome.came_back OR outcome.held_tenths > 0)
)
/*with risk_table*/
SELECT *
FROM risk_table
ORDER BY /*strata*/ hours
