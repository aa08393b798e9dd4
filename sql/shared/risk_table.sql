-- purpose: a risk table of the lives that the reading statement names `life`.
-- grain: one row a stratum and number of hours at which a life begins or ends
-- inputs: life (entry, hours, failed: 1 or 0, and the stratum columns)
-- output: the stratum columns, hours, entering, failed, leaving (counts)
SELECT
    /*strata*/
    hours,
    CAST(SUM(entering) AS BIGINT) AS entering,
    CAST(SUM(failed) AS BIGINT) AS failed,
    CAST(SUM(leaving) AS BIGINT) AS leaving
FROM (
    -- Counted once, above: few lives share an age, so counting entries and exits each beforehand only costs.
    SELECT /*strata*/ entry AS hours, 1 AS entering, 0 AS failed, 0 AS leaving
    FROM life
    UNION ALL
    SELECT /*strata*/ hours, 0, failed, 1
    FROM life
) AS boundary
GROUP BY /*strata*/ hours
