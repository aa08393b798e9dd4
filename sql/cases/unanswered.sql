-- purpose: what is on record, since its last report, of the last case of each side that no repair answers: running hours in
--   which nothing was reported, and orders of which nobody knows what was done.
-- grain: one row a weighed case without a repair after its last report, and without a case after it or seen before its end
-- inputs: weighed_case, usage, work_orders, work_lines
-- parameters: as_of_end
-- output: machine_id, side, case_no, heard_tenths (running hours from the last report to the last reading that is believed,
--   in tenths: hours that nobody read count for nothing), blank_orders (orders closed since then without a work line), blank_order (the
--   latest of them; NULL = none)
WITH unanswered_case AS (
    SELECT machine_id, side, case_no, last_at, last_tenths, until, seen_tenths
    FROM weighed_case
    WHERE (until IS NULL OR seen_tenths IS NOT NULL) AND NOT answered
),
blank AS (
    SELECT
        unanswered_case.machine_id,
        unanswered_case.side,
        unanswered_case.case_no,
        COUNT(*) AS blank_orders,
        MAX_BY(work_orders.work_order_id, work_orders.closed_at) AS blank_order
    FROM unanswered_case
    INNER JOIN work_orders
        ON work_orders.machine_id = unanswered_case.machine_id
        AND work_orders.closed_at >= unanswered_case.last_at
        AND work_orders.closed_at < COALESCE(unanswered_case.until, $as_of_end)
        AND COALESCE(work_orders.status, 'closed') = 'closed'
    LEFT JOIN work_lines ON work_lines.work_order_id = work_orders.work_order_id
    WHERE work_lines.work_order_id IS NULL
    GROUP BY unanswered_case.machine_id, unanswered_case.side, unanswered_case.case_no
)
SELECT
    unanswered_case.machine_id,
    unanswered_case.side,
    unanswered_case.case_no,
    GREATEST(
        0,
        LEAST(COALESCE(usage.last_tenths, 0), COALESCE(unanswered_case.seen_tenths, usage.last_tenths, 0))
        - unanswered_case.last_tenths
    ) AS heard_tenths,
    COALESCE(blank.blank_orders, 0) AS blank_orders,
    blank.blank_order
FROM unanswered_case
LEFT JOIN usage ON usage.machine_id = unanswered_case.machine_id
LEFT JOIN blank
    ON blank.machine_id = unanswered_case.machine_id
    AND blank.side = unanswered_case.side
    AND blank.case_no = unanswered_case.case_no
ORDER BY unanswered_case.machine_id, unanswered_case.side, unanswered_case.case_no
