-- purpose: closed work orders without a single line: what was done is not known.
-- grain: one row a work order
-- inputs: work_orders, work_lines
-- unit: work_orders
-- output: work_order_id, machine_id, opened_at
SELECT work_orders.work_order_id, work_orders.machine_id, work_orders.opened_at
FROM work_orders
LEFT JOIN work_lines ON work_lines.work_order_id = work_orders.work_order_id
WHERE work_lines.work_order_id IS NULL AND COALESCE(work_orders.status, 'closed') = 'closed'
ORDER BY work_orders.work_order_id
