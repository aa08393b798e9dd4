-- purpose: cases: the episodes of one family, machine and side between two stretches quiet for the whole confirmation
--   window.
-- grain: one row a fault family, machine, side and case
-- inputs: episode, family_window
-- materialised: while building
-- output: fault, machine_id, side, case_no, first_at, last_at, first_tenths, last_tenths, episodes, reports,
--   confirmation_tenths (the window), until (first report of the next case; NULL = last case)
WITH begun AS (
    SELECT
        episode.*,
        CAST(family_window.confirmation_hours * 10 AS BIGINT) AS confirmation_tenths,
        CASE
            WHEN first_tenths - LAG(last_tenths) OVER (PARTITION BY episode.fault, machine_id, side ORDER BY episode.episode)
                < CAST(family_window.confirmation_hours * 10 AS BIGINT)
                THEN 0
            ELSE 1
        END AS begins
    FROM episode
    INNER JOIN family_window ON family_window.fault = episode.fault
),
numbered AS (
    SELECT
        *,
        CAST(SUM(begins) OVER (
            PARTITION BY fault, machine_id, side ORDER BY episode ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ) AS BIGINT) AS case_no
    FROM begun
),
gathered AS (
    SELECT
        fault,
        machine_id,
        side,
        case_no,
        MIN(first_at) AS first_at,
        MAX(last_at) AS last_at,
        MIN(first_tenths) AS first_tenths,
        MAX(last_tenths) AS last_tenths,
        COUNT(*) AS episodes,
        CAST(SUM(reports) AS BIGINT) AS reports,
        MAX(confirmation_tenths) AS confirmation_tenths
    FROM numbered
    GROUP BY fault, machine_id, side, case_no
)
SELECT *, LEAD(first_at) OVER (PARTITION BY fault, machine_id, side ORDER BY case_no) AS until
FROM gathered
