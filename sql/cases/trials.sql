-- purpose: the cures tried in each case, visit by visit, and how long the fault then stayed away.
-- grain: one row a case, visit to the shop and cure
-- inputs: weighed_work, fault_repair
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
    FROM fault_repair
    GROUP BY machine_id, side, work_order_id, step
)
SELECT
    tried.machine_id,
    tried.side,
    tried.weighed_no AS case_no,
    CAST(DENSE_RANK() OVER (
        PARTITION BY tried.machine_id, tried.side, tried.weighed_no ORDER BY tried.moment, tried.work_order_id
    ) AS BIGINT) AS visit,
    done.step,
    done.accomplished,
    -- Of a case seen before its end, what came later is not known yet.
    CASE
        WHEN tried.seen_tenths IS NOT NULL AND (tried.back_at IS NULL OR tried.back_at >= tried.until)
            THEN LEAST(tried.held_tenths, GREATEST(0, tried.seen_tenths - tried.tenths))
        ELSE tried.held_tenths
    END AS held_tenths,
    tried.came_back AND (tried.seen_tenths IS NULL OR tried.back_at IS NULL OR tried.back_at < tried.until) AS came_back,
    tried.came_back AND (tried.until IS NULL OR tried.back_at IS NULL OR tried.back_at < tried.until) AS in_vain
FROM weighed_work AS tried
INNER JOIN done ON done.machine_id = tried.machine_id AND done.side = tried.side AND done.work_order_id = tried.work_order_id
WHERE tried.is_attempt
ORDER BY tried.machine_id, tried.side, tried.weighed_no, visit, done.step
