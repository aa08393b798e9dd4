-- purpose: what each machine's stretches between episodes add to the score of a Cox model (see score_sum).
-- grain: one row a machine with a stretch in one of the cells
-- inputs: recurrence, score_sum
-- parameters: fault, from_last (TRUE: the clock starts anew at each episode)
-- strata: number, build_year, site, make, model, machine_type
-- output: machine_id, sum_1, sum_2, sum_3, sum_4, sum_5, sum_6, sum_7, sum_8
WITH life AS (
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
)
/*with score_sum*/
SELECT *
FROM score_sum
ORDER BY machine_id
