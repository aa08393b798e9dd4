-- purpose: how many stored rows wait for their machine or work order.
-- grain: one row
-- inputs: machines and every table that refers to it, work_orders, work_lines
-- output: rows
SELECT CAST(SUM(rows) AS BIGINT) AS rows
FROM (
    SELECT COUNT(*) AS rows FROM components WHERE machine_id NOT IN (SELECT machine_id FROM machines)
    UNION ALL
    SELECT COUNT(*) AS rows FROM meter_readings WHERE machine_id NOT IN (SELECT machine_id FROM machines)
    UNION ALL
    SELECT COUNT(*) AS rows FROM meter_changes WHERE machine_id NOT IN (SELECT machine_id FROM machines)
    UNION ALL
    SELECT COUNT(*) AS rows FROM fault_codes WHERE machine_id NOT IN (SELECT machine_id FROM machines)
    UNION ALL
    SELECT COUNT(*) AS rows FROM work_orders WHERE machine_id NOT IN (SELECT machine_id FROM machines)
    UNION ALL
    SELECT COUNT(*) AS rows FROM measurements WHERE machine_id NOT IN (SELECT machine_id FROM machines)
    UNION ALL
    SELECT COUNT(*) AS rows FROM rentals WHERE machine_id NOT IN (SELECT machine_id FROM machines)
    UNION ALL
    SELECT COUNT(*) FROM work_lines WHERE work_order_id NOT IN (SELECT work_order_id FROM work_orders)
) AS waiting
