-- purpose: what orders tell of a sign of the fault that calls for a hold, such as a machine that creeps.
-- grain: one row an order and text that tells it
-- inputs: work_orders, work_lines, hold_word, hold_denial
-- parameters: as_of_end
-- output: machine_id, work_order_id, moment (when it was told), text
WITH stated AS (
    SELECT machine_id, work_order_id, opened_at AS moment, complaint AS text, status FROM work_orders
    UNION ALL
    SELECT machine_id, work_order_id, closed_at, cause, status FROM work_orders
    UNION ALL
    SELECT machine_id, work_order_id, closed_at, correction, status FROM work_orders
    UNION ALL
    SELECT
        work_orders.machine_id,
        work_lines.work_order_id,
        COALESCE(work_lines.done_at, work_orders.closed_at),
        work_lines.note,
        work_orders.status
    FROM work_lines
    INNER JOIN work_orders ON work_orders.work_order_id = work_lines.work_order_id
)
SELECT DISTINCT stated.machine_id, stated.work_order_id, stated.moment, stated.text
FROM stated
INNER JOIN hold_word ON ' ' || LOWER(stated.text) || ' ' LIKE hold_word.pattern
WHERE stated.moment < $as_of_end
    AND COALESCE(stated.status, '') <> 'cancelled'
    AND NOT EXISTS (
        SELECT 1 FROM hold_denial WHERE ' ' || LOWER(stated.text) || ' ' LIKE hold_denial.pattern
    )
