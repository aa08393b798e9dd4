-- purpose: the risk table of the stretches between a fault's episodes.
-- grain: one row a stratum and hours on the clock chosen
-- inputs: recurrence, risk_table
-- parameters: from_last (TRUE: the clock starts anew at each episode; FALSE: running hours of the machine)
-- strata: number, build_year, site, make, model, machine_type
-- output: the stratum columns, hours (tenths of a running hour on that clock), entering, failed, leaving (counts)
WITH life AS (
    SELECT
        /*strata*/
        CASE WHEN $from_last THEN 0 ELSE entry END AS entry,
        CASE WHEN $from_last THEN hours - entry ELSE hours END AS hours,
        failed
    FROM recurrence
)
/*with risk_table*/
SELECT *
FROM risk_table
ORDER BY /*strata*/ hours
