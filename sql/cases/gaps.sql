-- purpose: the running hours after each report in which nobody is on record to have repaired anything: to the next report, to
--   the next repair, or to the last hours read.
-- grain: one row a length, ending, whether the fault had come back before, and hours to an order without a repair
-- inputs: happening, usage, family_window, unclear_order
-- parameters: fault, burst_tenths (what comes within so many tenths of a running hour of the first report belongs to its burst)
-- output: gap_tenths (tenths of a running hour), again (TRUE: it ended with a report), back (TRUE: its report lay beyond the first
--   burst of reports, which begins anew after the quiet hours that confirm a repair), blank_tenths
--   (tenths of a running hour until the first order of which nobody knows whether it ended the fault was closed
--   in it; NULL = none), looked (TRUE: every such order only looked at the fault), gaps (how many)
WITH following AS (
    SELECT
        happening.machine_id,
        happening.side,
        happening.moment,
        happening.tenths,
        happening.is_repair,
        LEAD(happening.tenths) OVER one_side AS next_tenths,
        LEAD(happening.moment) OVER one_side AS next_moment,
        LEAD(happening.is_repair) OVER one_side AS next_is_repair,
        CASE
            WHEN happening.tenths - LAG(happening.tenths) OVER one_side < 10 * family_window.confirmation_hours THEN 0
            ELSE 1
        END AS begins
    FROM happening
    INNER JOIN family_window ON family_window.fault = $fault
    -- What was reported at the very instant of a repair was reported before it.
    WINDOW one_side AS (
        PARTITION BY happening.machine_id, happening.side ORDER BY happening.moment, happening.is_repair, happening.tenths
    )
),
running AS (
    SELECT
        *,
        SUM(begins) OVER (PARTITION BY machine_id, side ORDER BY moment, is_repair, tenths) AS run
    FROM following
),
gap AS (
    SELECT
        COALESCE(running.next_tenths, usage.last_tenths) - running.tenths AS gap_tenths,
        COALESCE(running.next_is_repair = 0, FALSE) AS again,
        running.is_repair,
        running.machine_id,
        running.side,
        running.moment,
        running.tenths,
        COALESCE(running.next_moment, TIMESTAMP '9999-12-31') AS next_moment,
        running.tenths - MIN(running.tenths) OVER (PARTITION BY running.machine_id, running.side, running.run) >= $burst_tenths AS back
    FROM running
    INNER JOIN usage ON usage.machine_id = running.machine_id
),
closed AS (
    SELECT gap.machine_id, gap.side, gap.moment, gap.next_moment, MIN(unclear_order.tenths) AS tenths, BOOL_AND(unclear_order.looked) AS looked
    FROM gap
    INNER JOIN unclear_order
        ON unclear_order.machine_id = gap.machine_id
        AND COALESCE(unclear_order.side, gap.side) = gap.side
        AND unclear_order.closed_at >= gap.moment
        AND unclear_order.closed_at < gap.next_moment
    GROUP BY gap.machine_id, gap.side, gap.moment, gap.next_moment
)
SELECT
    gap.gap_tenths,
    gap.again,
    gap.back,
    CASE WHEN closed.tenths IS NOT NULL THEN LEAST(GREATEST(closed.tenths - gap.tenths, 0), gap.gap_tenths) END AS blank_tenths,
    COALESCE(closed.looked, FALSE) AS looked,
    COUNT(*) AS gaps
FROM gap
LEFT JOIN closed
    ON closed.machine_id = gap.machine_id
    AND closed.side = gap.side
    AND closed.moment = gap.moment
    AND closed.next_moment = gap.next_moment
WHERE gap.gap_tenths >= 0 AND gap.is_repair = 0
GROUP BY ALL
ORDER BY gap_tenths, again, back, blank_tenths, looked
