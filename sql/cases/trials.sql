-- purpose: the cures tried in each case, visit by visit, and how long the fault then stayed away.
-- grain: one row a case, visit to the shop and cure
-- inputs: weighed_case, case_step, outcome
-- parameters: fault
-- output: machine_id, side, case_no, visit (1 = first of the case), step, accomplished (FALSE: the step's own test failed),
--   held_tenths (running hours after the visit without the fault), came_back, in_vain (it came back within the case;
--   else what came back, if anything, is the next case)
WITH done AS (
    SELECT
        machine_id,
        side,
        work_order_id,
        step,
        -- One good end among several tries of a visit is a step accomplished.
        MAX(CASE WHEN result = 'failed' THEN 0 ELSE 1 END) = 1 AS accomplished
    FROM case_step
    WHERE fault = $fault AND kind = 'cure' AND action NOT IN ('inspect', 'test')
    GROUP BY machine_id, side, work_order_id, step
)
SELECT
    weighed_case.machine_id,
    weighed_case.side,
    weighed_case.case_no,
    CAST(DENSE_RANK() OVER (
        PARTITION BY weighed_case.machine_id, weighed_case.side, weighed_case.case_no ORDER BY outcome.moment, outcome.work_order_id
    ) AS BIGINT) AS visit,
    done.step,
    done.accomplished,
    outcome.held_tenths,
    outcome.came_back,
    outcome.came_back AND (weighed_case.until IS NULL OR outcome.back_at IS NULL OR outcome.back_at < weighed_case.until) AS in_vain
FROM weighed_case
INNER JOIN outcome
    ON outcome.fault = $fault
    AND outcome.machine_id = weighed_case.machine_id
    AND outcome.side = weighed_case.side
    AND outcome.moment >= weighed_case.first_at
    AND (weighed_case.until IS NULL OR outcome.moment < weighed_case.until)
INNER JOIN done
    ON done.machine_id = outcome.machine_id AND done.side = outcome.side AND done.work_order_id = outcome.work_order_id
ORDER BY weighed_case.machine_id, weighed_case.side, weighed_case.case_no, visit, done.step
