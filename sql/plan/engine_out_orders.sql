-- purpose: machines whose engine is out, or comes out, for another job that is under way.
-- grain: one row a machine
-- inputs: work_orders, work_lines
-- parameters: as_of_end
-- output: machine_id, opened_at (of the latest such order)
SELECT work_orders.machine_id, MAX(work_orders.opened_at) AS opened_at
FROM work_orders
INNER JOIN work_lines ON work_lines.work_order_id = work_orders.work_order_id
WHERE work_orders.opened_at < $as_of_end
    AND (work_orders.closed_at IS NULL OR work_orders.closed_at >= $as_of_end)
    AND COALESCE(work_orders.status, 'open') = 'open'
    AND work_lines.component = 'engine'
    AND work_lines.action IN ('replace', 'overhaul')
GROUP BY work_orders.machine_id
ORDER BY work_orders.machine_id
