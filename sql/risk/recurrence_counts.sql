-- purpose: the risk table of the stretches between a fault's episodes.
-- grain: one row a stratum and hours on the clock chosen
-- inputs: recurrence
-- parameters: from_last (TRUE: the clock starts anew at each episode; FALSE: running hours of the machine)
-- strata: number, build_year, site, make, model, machine_type
-- output: the stratum columns, hours (tenths of a running hour on that clock), entering, failed, leaving (counts)
WITH stretch AS (
    SELECT
        /*strata*/
        CASE WHEN $from_last THEN 0 ELSE entry END AS entry,
        CASE WHEN $from_last THEN hours - entry ELSE hours END AS hours,
        failed
    FROM recurrence
),
boundary AS (
    SELECT /*strata*/ entry AS hours, 1 AS entering, 0 AS failed, 0 AS leaving
    FROM stretch
    UNION ALL
    SELECT /*strata*/ hours, 0, failed, 1
    FROM stretch
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
