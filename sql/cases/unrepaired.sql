-- purpose: cases that begin after one which nobody is on record to have repaired, and the running hours between the two.
-- grain: one row a case of the history
-- inputs: case_file, unclear_order
-- parameters: fault, burst_tenths (what comes within so many tenths of a running hour of the first report belongs to its burst)
-- output: machine_id, side, first_at, gap_tenths (from the last report of the case before, in tenths of a running hour),
--   back (TRUE: that case had come back beyond its first burst of reports), blank_orders, looks (orders closed between the
--   two without a line, and with a look only), order_tenths (tenths of a running hour until the first of them; 0 = none)
WITH ordered AS (
    SELECT
        machine_id,
        side,
        first_at,
        LAG(last_at) OVER one_side AS was_last_at,
        LAG(last_tenths) OVER one_side AS was_last_tenths,
        first_tenths - LAG(last_tenths) OVER one_side AS gap_tenths,
        LAG(last_tenths - first_tenths) OVER one_side >= $burst_tenths AS back,
        LAG(answered) OVER one_side AS was_answered
    FROM case_file
    WHERE fault = $fault
    WINDOW one_side AS (PARTITION BY machine_id, side ORDER BY case_no)
)
SELECT
    ordered.machine_id,
    ordered.side,
    ordered.first_at,
    ordered.gap_tenths,
    ordered.back,
    COUNT(DISTINCT unclear_order.work_order_id) FILTER (NOT unclear_order.looked) AS blank_orders,
    COUNT(DISTINCT unclear_order.work_order_id) FILTER (unclear_order.looked) AS looks,
    GREATEST(COALESCE(MIN(unclear_order.tenths) - ordered.was_last_tenths, 0), 0) AS order_tenths
FROM ordered
LEFT JOIN unclear_order
    ON unclear_order.machine_id = ordered.machine_id
    AND COALESCE(unclear_order.side, ordered.side) = ordered.side
    AND unclear_order.closed_at >= ordered.was_last_at
    AND unclear_order.closed_at < ordered.first_at
WHERE NOT ordered.was_answered AND ordered.gap_tenths >= 0
GROUP BY
    ordered.machine_id,
    ordered.side,
    ordered.first_at,
    ordered.gap_tenths,
    ordered.back,
    ordered.was_last_tenths
ORDER BY ordered.machine_id, ordered.side, ordered.first_at
