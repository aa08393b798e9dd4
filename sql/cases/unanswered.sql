-- purpose: what is on record of an open case since its last report: running hours in which nothing was reported, and orders
--   of which nobody knows what was done.
-- grain: one row an open weighed case
-- inputs: weighed_case, usage, work_orders, work_lines
-- parameters: as_of_end
-- output: machine_id, side, case_no, heard_tenths (running hours from the last report to the last reading that is believed,
--   in tenths: hours that nobody read count for nothing), blank_orders (orders closed since then without a work line)
WITH open_case AS (
    SELECT machine_id, side, case_no, last_at, last_tenths FROM weighed_case WHERE state = 'open'
),
blank AS (
    SELECT open_case.machine_id, open_case.side, COUNT(*) AS blank_orders
    FROM open_case
    INNER JOIN work_orders
        ON work_orders.machine_id = open_case.machine_id
        AND work_orders.closed_at >= open_case.last_at
        AND work_orders.closed_at < $as_of_end
        AND COALESCE(work_orders.status, 'closed') = 'closed'
    LEFT JOIN work_lines ON work_lines.work_order_id = work_orders.work_order_id
    WHERE work_lines.work_order_id IS NULL
    GROUP BY open_case.machine_id, open_case.side
)
SELECT
    open_case.machine_id,
    open_case.side,
    open_case.case_no,
    GREATEST(0, COALESCE(usage.last_tenths, 0) - open_case.last_tenths) AS heard_tenths,
    COALESCE(blank.blank_orders, 0) AS blank_orders
FROM open_case
LEFT JOIN usage ON usage.machine_id = open_case.machine_id
LEFT JOIN blank ON blank.machine_id = open_case.machine_id AND blank.side = open_case.side
ORDER BY open_case.machine_id, open_case.side, open_case.case_no
