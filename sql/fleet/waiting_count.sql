-- purpose: how many stored rows wait for their machine or work order.
-- grain: one row
-- inputs: stored_row, machines, work_orders
-- output: rows
SELECT COUNT(*) AS rows
FROM stored_row
LEFT JOIN machines ON machines.machine_id = stored_row.machine_id
LEFT JOIN work_orders ON work_orders.work_order_id = stored_row.work_order_id
WHERE machines.machine_id IS NULL AND work_orders.work_order_id IS NULL
