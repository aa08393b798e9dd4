-- purpose: the work orders of each machine, those without a line too, as they stood at the as-of date.
-- grain: one row a work order
-- inputs: work_orders, work_lines, clock
-- parameters: machines (list), as_of_end
-- output: machine_id, at (opened), hours, work_order_id, closed_at, status ('open', 'closed', 'cancelled'), lines (on
--   record by then), complaint, cause, correction (the latter two are written when an order is closed)
SELECT
    work_orders.machine_id,
    work_orders.opened_at AS "at",
    MAX(clock.tenths) / 10.0 AS hours,
    work_orders.work_order_id,
    CASE WHEN work_orders.closed_at < $as_of_end THEN work_orders.closed_at END AS closed_at,
    CASE
        WHEN work_orders.status = 'cancelled' THEN 'cancelled'
        WHEN work_orders.closed_at >= $as_of_end THEN 'open'
        WHEN work_orders.closed_at IS NOT NULL THEN 'closed'
        ELSE COALESCE(work_orders.status, 'open')
    END AS status,
    COUNT(work_lines.line_no) AS "lines",
    work_orders.complaint,
    CASE WHEN work_orders.closed_at IS NULL OR work_orders.closed_at < $as_of_end THEN work_orders.cause END AS cause,
    CASE WHEN work_orders.closed_at IS NULL OR work_orders.closed_at < $as_of_end THEN work_orders.correction END AS correction
FROM work_orders
LEFT JOIN clock ON clock.machine_id = work_orders.machine_id AND clock.moment = work_orders.opened_at
LEFT JOIN work_lines
    ON work_lines.work_order_id = work_orders.work_order_id
    AND COALESCE(work_lines.done_at, work_orders.closed_at, work_orders.opened_at) < $as_of_end
WHERE ARRAY_CONTAINS($machines, work_orders.machine_id) AND work_orders.opened_at < $as_of_end
GROUP BY
    work_orders.machine_id,
    work_orders.opened_at,
    work_orders.work_order_id,
    work_orders.closed_at,
    work_orders.status,
    work_orders.complaint,
    work_orders.cause,
    work_orders.correction
ORDER BY work_orders.machine_id, work_orders.opened_at, work_orders.work_order_id
