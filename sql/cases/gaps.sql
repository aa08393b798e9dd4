-- purpose: the running hours after each report in which nobody is on record to have repaired anything: to the next report, to
--   the next repair, or to the last hours read.
-- grain: one row a length, ending and whether the fault had come back before
-- inputs: numbered_report, fault_repair, usage, family_window
-- parameters: fault, burst_tenths (what comes within so many tenths of a running hour of the first report belongs to its burst)
-- output: gap_tenths (tenths of a running hour), again (TRUE: it ended with a report), back (TRUE: its report lay beyond the first
--   burst of reports, which begins anew after the quiet hours that confirm a repair), gaps (how many)
WITH happening AS (
    SELECT machine_id, side, moment, tenths, 0 AS is_repair FROM numbered_report WHERE fault = $fault
    UNION ALL
    SELECT DISTINCT machine_id, side, moment, tenths, 1 FROM fault_repair
),
following AS (
    SELECT
        happening.machine_id,
        happening.side,
        happening.moment,
        happening.tenths,
        happening.is_repair,
        LEAD(happening.tenths) OVER one_side AS next_tenths,
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
        running.tenths - MIN(running.tenths) OVER (PARTITION BY running.machine_id, running.side, running.run) >= $burst_tenths AS back
    FROM running
    INNER JOIN usage ON usage.machine_id = running.machine_id
)
SELECT gap_tenths, again, back, COUNT(*) AS gaps
FROM gap
WHERE gap_tenths >= 0 AND is_repair = 0
GROUP BY gap_tenths, again, back
ORDER BY gap_tenths, again, back
