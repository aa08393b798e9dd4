-- purpose: how often the fault of each weighed case showed again without a repair between, beyond a burst of reports.
-- grain: one row a weighed case and number of repairs before
-- inputs: weighed_case, happening
-- parameters: fault, burst_tenths (reports within so many tenths of a running hour of each other belong to one burst)
-- output: machine_id, side, case_no, tries (visits that repaired something in the case before), waits (how many)
WITH following AS (
    SELECT
        weighed_case.machine_id,
        weighed_case.side,
        weighed_case.case_no,
        happening.is_repair,
        happening.tenths,
        LEAD(happening.tenths) OVER one_case AS next_tenths,
        LEAD(happening.is_repair) OVER one_case AS next_is_repair,
        SUM(happening.is_repair) OVER one_case AS tries
    FROM weighed_case
    INNER JOIN happening
        ON happening.machine_id = weighed_case.machine_id
        AND happening.side = weighed_case.side
        AND happening.moment >= weighed_case.first_at
        AND happening.moment <= weighed_case.last_at
    -- What was reported at the very instant of a repair was reported before it.
    WINDOW one_case AS (
        PARTITION BY weighed_case.machine_id, weighed_case.side, weighed_case.case_no
        ORDER BY happening.moment, happening.is_repair, happening.tenths
    )
)
SELECT machine_id, side, case_no, CAST(tries AS BIGINT) AS tries, COUNT(*) AS waits
FROM following
WHERE is_repair = 0 AND next_is_repair = 0 AND next_tenths - tenths >= $burst_tenths
GROUP BY machine_id, side, case_no, tries
ORDER BY machine_id, side, case_no, tries
