-- purpose: closed orders that may have ended a fault without a word of it: no line at all, or only a look at the fault.
-- grain: one row a work order, and side that was looked at
-- inputs: work_orders, work_lines, clock, case_step
-- parameters: fault
-- output: machine_id, side (NULL = of no line, so of either), work_order_id, closed_at, tenths, looked (FALSE: no line at all)
WITH looked AS (
    SELECT work_order_id, side
    FROM case_step
    WHERE fault = $fault
    GROUP BY work_order_id, side
    HAVING BOOL_AND(kind <> 'cure' OR action IN ('inspect', 'test'))
)
SELECT work_orders.machine_id, looked.side, work_orders.work_order_id, work_orders.closed_at, clock.tenths, looked.work_order_id IS NOT NULL AS looked
FROM work_orders
INNER JOIN clock ON clock.machine_id = work_orders.machine_id AND clock.moment = work_orders.closed_at
LEFT JOIN looked ON looked.work_order_id = work_orders.work_order_id
LEFT JOIN (SELECT DISTINCT work_order_id FROM work_lines) AS filled ON filled.work_order_id = work_orders.work_order_id
WHERE
    COALESCE(work_orders.status, 'closed') = 'closed'
    AND (looked.work_order_id IS NOT NULL OR filled.work_order_id IS NULL)
