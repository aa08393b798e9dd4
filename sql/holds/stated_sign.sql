-- purpose: orders whose words tell of a sign of the fault that calls for a hold, such as a machine that creeps, as long
--   as nothing on record answers them.
-- grain: one row a machine and order
-- inputs: work_orders, hold_sign, case_work
-- parameters: as_of_end, words_from (TIMESTAMP: orders opened before count only while they are open), fault
-- output: machine_id, work_order_id, stated_at, is_open (the order was still open), words (the text that tells it)
WITH signs AS (
    SELECT work_order_id, MIN(text) AS words FROM hold_sign GROUP BY work_order_id
),
repaired AS (
    SELECT machine_id, MAX(moment) AS last_at
    FROM case_work
    WHERE fault = $fault AND is_attempt AND COALESCE(result, '') <> 'failed'
    GROUP BY machine_id
)
SELECT
    work_orders.machine_id,
    work_orders.work_order_id,
    work_orders.opened_at AS stated_at,
    work_orders.closed_at IS NULL OR work_orders.closed_at >= $as_of_end AS is_open,
    signs.words
FROM work_orders
INNER JOIN signs ON signs.work_order_id = work_orders.work_order_id
LEFT JOIN repaired ON repaired.machine_id = work_orders.machine_id
WHERE work_orders.opened_at < $as_of_end
    AND (
        work_orders.closed_at IS NULL
        OR work_orders.closed_at >= $as_of_end
        OR work_orders.opened_at >= $words_from AND COALESCE(repaired.last_at < work_orders.opened_at, TRUE)
    )
