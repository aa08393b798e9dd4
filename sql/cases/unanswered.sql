-- purpose: what is on record, since it was last heard of, of the last case of each side that no repair answers: running hours in
--   which nothing was reported, and orders of which nobody knows whether they ended the fault.
-- grain: one row a weighed case without a repair since, and without a case after it or seen before its end
-- inputs: weighed_case, weighed_work, usage, unclear_order
-- parameters: fault, as_of_end
-- output: machine_id, side, case_no, heard_tenths (running hours from the last report to the last reading that is believed,
--   in tenths: hours that nobody read count for nothing), came_back (TRUE: the last report names no side, and comes after the case's last
--   repair), blank_orders, looks (orders closed since then without a line, and with a look only), blank_order
--   (the latest of them; NULL = none),
--   blank_tenths (running hours, in tenths, until the first of them was closed; NULL = none)
WITH last_try AS (
    SELECT machine_id, side, weighed_no, came_back, back_at, tenths + held_tenths AS back_tenths
    FROM weighed_work
    WHERE is_attempt
    QUALIFY ROW_NUMBER() OVER (PARTITION BY machine_id, side, weighed_no ORDER BY moment DESC, work_order_id DESC, line_no DESC) = 1
),
unanswered_case AS (
    SELECT
        weighed_case.machine_id,
        weighed_case.side,
        weighed_case.case_no,
        weighed_case.answered AS came_back,
        CASE WHEN weighed_case.answered THEN last_try.back_at ELSE weighed_case.last_at END AS last_at,
        CASE WHEN weighed_case.answered THEN last_try.back_tenths ELSE weighed_case.last_tenths END AS last_tenths,
        weighed_case.until,
        weighed_case.seen_tenths
    FROM weighed_case
    LEFT JOIN last_try
        ON last_try.machine_id = weighed_case.machine_id
        AND last_try.side = weighed_case.side
        AND last_try.weighed_no = weighed_case.case_no
    WHERE
        (weighed_case.until IS NULL OR weighed_case.seen_tenths IS NOT NULL)
        AND (
            NOT weighed_case.answered
            OR (last_try.came_back AND last_try.back_at < COALESCE(weighed_case.until, $as_of_end))
        )
),
blank AS (
    SELECT
        unanswered_case.machine_id,
        unanswered_case.side,
        unanswered_case.case_no,
        COUNT(DISTINCT unclear_order.work_order_id) FILTER (NOT unclear_order.looked) AS blank_orders,
        COUNT(DISTINCT unclear_order.work_order_id) FILTER (unclear_order.looked) AS looks,
        MAX_BY(unclear_order.work_order_id, unclear_order.closed_at) AS blank_order,
        MIN(unclear_order.tenths) AS tenths
    FROM unanswered_case
    INNER JOIN unclear_order
        ON unclear_order.machine_id = unanswered_case.machine_id
        AND COALESCE(unclear_order.side, unanswered_case.side) = unanswered_case.side
        AND unclear_order.closed_at >= unanswered_case.last_at
        AND unclear_order.closed_at < COALESCE(unanswered_case.until, $as_of_end)
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
    unanswered_case.came_back,
    COALESCE(blank.blank_orders, 0) AS blank_orders,
    COALESCE(blank.looks, 0) AS looks,
    blank.blank_order,
    GREATEST(0, blank.tenths - unanswered_case.last_tenths) AS blank_tenths
FROM unanswered_case
LEFT JOIN usage ON usage.machine_id = unanswered_case.machine_id
LEFT JOIN blank
    ON blank.machine_id = unanswered_case.machine_id
    AND blank.side = unanswered_case.side
    AND blank.case_no = unanswered_case.case_no
ORDER BY unanswered_case.machine_id, unanswered_case.side, unanswered_case.case_no
