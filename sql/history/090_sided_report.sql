-- purpose: the possible reports with a side: a report that tells none takes that of the nearest one in time that does.
-- grain: one row a fault family, machine and report
-- inputs: fault_report, family_window
-- output: fault, machine_id, side ('' where no report near it tells one), moment, tenths, origin, spn, fmi, code, text,
--   occurrence_count, file_id, row_no
WITH possible_report AS (
    SELECT *, CAST(FLOOR(EPOCH(moment)) AS BIGINT) AS at_seconds FROM fault_report WHERE possible
),
neighbour AS (
    SELECT
        untold.fault,
        untold.machine_id,
        untold.origin,
        untold.file_id,
        untold.row_no,
        told.side,
        ROW_NUMBER() OVER (
            PARTITION BY untold.fault, untold.machine_id, untold.origin, untold.file_id, untold.row_no
            ORDER BY ABS(told.at_seconds - untold.at_seconds), told.at_seconds, told.side
        ) AS nearness
    FROM possible_report AS untold
    INNER JOIN family_window ON family_window.fault = untold.fault
    INNER JOIN possible_report AS told
        ON told.fault = untold.fault
        AND told.machine_id = untold.machine_id
        AND told.side <> ''
        AND ABS(told.at_seconds - untold.at_seconds) < family_window.episode_days * 86400
    WHERE untold.side = ''
)
SELECT
    report.fault,
    report.machine_id,
    COALESCE(NULLIF(report.side, ''), neighbour.side, '') AS side,
    report.moment,
    report.tenths,
    report.origin,
    report.spn,
    report.fmi,
    report.code,
    report.text,
    report.occurrence_count,
    report.file_id,
    report.row_no
FROM possible_report AS report
LEFT JOIN neighbour
    ON neighbour.fault = report.fault
    AND neighbour.machine_id = report.machine_id
    AND neighbour.origin = report.origin
    AND neighbour.file_id = report.file_id
    AND neighbour.row_no = report.row_no
    AND neighbour.nearness = 1
