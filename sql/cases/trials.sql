-- purpose: the cures tried in each case, visit by visit, and how long the fault then stayed away.
-- grain: one row a case, visit to the shop and cure
-- inputs: case_file, case_step, outcome
-- parameters: fault
-- output: machine_id, side, case_no, visit (1 = first of the case), step, accomplished (FALSE: the step's own test failed),
--   held_tenths (running hours after the visit without the fault), came_back
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
    case_file.machine_id,
    case_file.side,
    case_file.case_no,
    CAST(DENSE_RANK() OVER (
        PARTITION BY case_file.machine_id, case_file.side, case_file.case_no ORDER BY outcome.moment, outcome.work_order_id
    ) AS BIGINT) AS visit,
    done.step,
    done.accomplished,
    outcome.held_tenths,
    outcome.came_back
FROM case_file
INNER JOIN outcome
    ON outcome.fault = case_file.fault
    AND outcome.machine_id = case_file.machine_id
    AND outcome.side = case_file.side
    AND outcome.moment >= case_file.first_at
    AND (case_file.until IS NULL OR outcome.moment < case_file.until)
INNER JOIN done
    ON done.machine_id = outcome.machine_id AND done.side = outcome.side AND done.work_order_id = outcome.work_order_id
WHERE case_file.fault = $fault
ORDER BY case_file.machine_id, case_file.side, case_file.case_no, visit, done.step
