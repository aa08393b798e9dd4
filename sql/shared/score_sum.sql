-- purpose: what each machine's lives add to the score of a Cox model: the sums behind variances that are robust to lives
--   of one machine being alike. The caller hands over what a life adds by cell and age, as whole numbers, so that the
--   sums are exact and the order of rows cannot show; up to 8 coefficients at a time.
-- grain: one row a machine with a life in one of the cells
-- inputs: life (machine_id, entry, hours, failed, and the columns of cells), cox_cell, cox_step
-- output: machine_id, sum_1, sum_2, sum_3, sum_4, sum_5, sum_6, sum_7, sum_8
WITH placed AS (
    -- The cell that a life belongs to: its stratum and factors. Lives of levels without a failure have none.
    SELECT life.machine_id, cox_cell.cell, life.entry, life.hours, life.failed
    FROM life
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
