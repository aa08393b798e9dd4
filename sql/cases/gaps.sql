-- purpose: the running hours after each report in which nobody is on record to have repaired anything: to the next report, to
--   the next repair, or to the last hours read.
-- grain: one row a length and ending
-- inputs: numbered_report, fault_repair, usage
-- parameters: fault
-- output: gap_tenths (tenths of a running hour), again (TRUE: it ended with a report), gaps (how many)
WITH happening AS (
    SELECT machine_id, side, moment, tenths, 0 AS is_repair FROM numbered_report WHERE fault = $fault
    UNION ALL
    SELECT DISTINCT machine_id, side, moment, tenths, 1 FROM fault_repair
),
following AS (
    SELECT
        machine_id,
        tenths,
        is_repair,
        LEAD(tenths) OVER one_side AS next_tenths,
        LEAD(is_repair) OVER one_side AS next_is_repair
    FROM happening
    -- What was reported at the very instant of a repair was reported before it.
    WINDOW one_side AS (PARTITION BY machine_id, side ORDER BY moment, is_repair, tenths)
),
gap AS (
    SELECT
        COALESCE(following.next_tenths, usage.last_tenths) - following.tenths AS gap_tenths,
        COALESCE(following.next_is_repair = 0, FALSE) AS again
    FROM following
    INNER JOIN usage ON usage.machine_id = following.machine_id
    WHERE following.is_repair = 0
)
SELECT gap_tenths, again, COUNT(*) AS gaps
FROM gap
WHERE gap_tenths >= 0
GROUP BY gap_tenths, again
ORDER BY gap_tenths, again
