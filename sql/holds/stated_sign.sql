-- purpose: orders whose words tell of a sign of the fault that calls for a hold, such as a machine that creeps, as long
--   as nothing on record answers them.
-- grain: one row a machine and order
-- inputs: work_orders, work_lines, hold_word, hold_denial, case_work
-- parameters: as_of_end, words_from (TIMESTAMP: orders opened before count only while they are open), fault
-- output: machine_id, work_order_id, stated_at, is_open (the order was still open), words (the text that tells it)
WITH stated AS (
    SELECT machine_id, work_order_id, complaint AS text FROM work_orders WHERE complaint IS NOT NULL
    UNION ALL
    SELECT machine_id, work_order_id, cause FROM work_orders WHERE cause IS NOT NULL AND closed_at < $as_of_end
    UNION ALL
    SELECT machine_id, work_order_id, correction FROM work_orders
    WHERE correction IS NOT NULL AND closed_at < $as_of_end
    UNION ALL
    SELECT work_orders.machine_id, work_lines.work_order_id, work_lines.note
    FROM work_lines
    INNER JOIN work_orders ON work_orders.work_order_id = work_lines.work_order_id
    WHERE work_lines.note IS NOT NULL AND COALESCE(work_lines.done_at, work_orders.closed_at) < $as_of_end
),
signs AS (
    SELECT stated.work_order_id, MIN(stated.text) AS words
    FROM stated
    INNER JOIN hold_word ON ' ' || LOWER(stated.text) || ' ' LIKE hold_word.pattern
    WHERE NOT EXISTS (
        SELECT 1 FROM hold_denial WHERE ' ' || LOWER(stated.text) || ' ' LIKE hold_denial.pattern
    )
    GROUP BY stated.work_order_id
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
    AND COALESCE(work_orders.status, '') <> 'cancelled'
    AND (
        work_orders.closed_at IS NULL
        OR work_orders.closed_at >= $as_of_end
        OR work_orders.opened_at >= $words_from AND COALESCE(repaired.last_at < work_orders.opened_at, TRUE)
    )
