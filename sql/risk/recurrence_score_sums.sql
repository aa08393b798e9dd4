-- purpose: what each machine's stretches between episodes add to the score of a Cox model, as score_sums does for lives.
-- grain: one row a machine with a stretch in one of the cells
-- inputs: recurrence, cox_cell, cox_step
-- parameters: fault, from_last (TRUE: the clock starts anew at each episode)
-- strata: number, build_year, site, make, model, machine_type
-- output: machine_id, sum_1, sum_2, sum_3, sum_4, sum_5, sum_6, sum_7, sum_8
WITH stretch AS (
    SELECT
        machine_id,
        $fault AS component,
        CASE WHEN $from_last THEN 0 ELSE entry END AS entry,
        CASE WHEN $from_last THEN hours - entry ELSE hours END AS hours,
        failed = 1 AS failed,
        number,
        build_year,
        site,
        make,
        model,
        machine_type
    FROM recurrence
),
placed AS (
    SELECT stretch.machine_id, cox_cell.cell, stretch.entry, stretch.hours, stretch.failed
    FROM stretch
    INNER JOIN cox_cell USING (/*strata*/ component)
)
SELECT
    placed.machine_id,
    CAST(SUM(finish.leave_1 - start.leave_1 + CASE WHEN placed.failed THEN finish.fail_1 ELSE 0 END) AS DOUBLE) AS sum_1,
    CAST(SUM(finish.leave_2 - start.leave_2 + CASE WHEN placed.failed THEN finish.fail_2 ELSE 0 END) AS DOUBLE) AS sum_2,
    CAST(SUM(finish.leave_3 - start.leave_3 + CASE WHEN placed.failed THEN finish.fail_3 ELSE 0 END) AS DOUBLE) AS sum_3,
    CAST(SUM(finish.leave_4 - start.leave_4 + CASE WHEN placed.failed THEN finish.fail_4 ELSE 0 END) AS DOUBLE) AS sum_4,
    CAST(SUM(finish.leave_5 - start.leave_5 + CASE WHEN placed.failed THEN finish.fail_5 ELSE 0 END) AS DOUBLE) AS sum_5,
    CAST(SUM(finish.leave_6 - start.leave_6 + CASE WHEN placed.failed THEN finish.fail_6 ELSE 0 END) AS DOUBLE) AS sum_6,
    CAST(SUM(finish.leave_7 - start.leave_7 + CASE WHEN placed.failed THEN finish.fail_7 ELSE 0 END) AS DOUBLE) AS sum_7,
    CAST(SUM(finish.leave_8 - start.leave_8 + CASE WHEN placed.failed THEN finish.fail_8 ELSE 0 END) AS DOUBLE) AS sum_8
FROM placed
INNER JOIN cox_step AS start ON start.cell = placed.cell AND start.hours = placed.entry
INNER JOIN cox_step AS finish ON finish.cell = placed.cell AND finish.hours = placed.hours
GROUP BY placed.machine_id
ORDER BY placed.machine_id
