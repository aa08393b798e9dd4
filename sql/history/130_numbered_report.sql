-- purpose: reports grouped into episodes: reports of one family, machine and side are one episode while the gap
--   between them stays under both a running-hours and a calendar window and no repair attempt lies between.
-- grain: one row a fault family, machine, side and report
-- inputs: sided_report, attempt, family_window
-- output: the columns of sided_report, episode (1 = first of that machine and side)
WITH line AS (
    SELECT fault, machine_id, side, moment, tenths, origin, file_id, row_no, 0 AS is_attempt FROM sided_report
    UNION ALL
    SELECT fault, machine_id, side, moment, tenths, '', 0, 0, 1 FROM attempt
),
passed AS (
    SELECT
        *,
        -- A report at the very instant of an attempt belongs before it: it is what was repaired.
        SUM(is_attempt) OVER (
            PARTITION BY fault, machine_id, side ORDER BY moment, is_attempt, origin, file_id, row_no
            ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ) AS attempts_before
    FROM line
),
stepped AS (
    SELECT
        passed.*,
        LAG(moment) OVER one_side AS previous_at,
        LAG(tenths) OVER one_side AS previous_tenths,
        LAG(attempts_before) OVER one_side AS previous_attempts
    FROM passed
    WHERE is_attempt = 0
    WINDOW one_side AS (PARTITION BY fault, machine_id, side ORDER BY moment, origin, file_id, row_no)
),
begun AS (
    SELECT
        stepped.*,
        CASE
            WHEN previous_at IS NULL THEN 1
            WHEN attempts_before > previous_attempts THEN 1
            WHEN tenths - previous_tenths >= family_window.episode_hours * 10 THEN 1
            WHEN EPOCH(moment) - EPOCH(previous_at) >= family_window.episode_days * 86400 THEN 1
            ELSE 0
        END AS begins
    FROM stepped
    INNER JOIN family_window ON family_window.fault = stepped.fault
)
SELECT
    sided_report.*,
    CAST(SUM(begun.begins) OVER (
        PARTITION BY begun.fault, begun.machine_id, begun.side ORDER BY begun.moment, begun.origin, begun.file_id, begun.row_no
        ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
    ) AS BIGINT) AS episode
FROM begun
-- By name and not USING, which would put these columns first on another engine.
INNER JOIN sided_report
    ON sided_report.fault = begun.fault
    AND sided_report.machine_id = begun.machine_id
    AND sided_report.origin = begun.origin
    AND sided_report.file_id = begun.file_id
    AND sided_report.row_no = begun.row_no
