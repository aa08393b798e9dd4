-- purpose: the weighed cases as they stood at earlier instants: what was on record of each before a look at its machine.
-- grain: one row a look and weighed case that was under way then
-- inputs: weighed_case, look (machine_id, at, tenths: when, and the running hours then), numbered_report, case_work, machine,
--   usage, family_window
-- parameters: fault, as_of_end
-- output: the columns of weighed_case (`until` is the look, seen_tenths the hours then; case_no is a running number)
WITH seen AS (
    SELECT
        weighed_case.machine_id,
        weighed_case.side,
        weighed_case.first_at,
        weighed_case.first_tenths,
        weighed_case.after_at,
        look.at AS until,
        look.tenths AS seen_tenths
    FROM weighed_case
    INNER JOIN look
        ON look.machine_id = weighed_case.machine_id
        AND look.at > weighed_case.first_at
        AND (weighed_case.until IS NULL OR look.at <= weighed_case.until)
),
reported AS (
    SELECT
        seen.machine_id,
        seen.side,
        seen.until,
        MAX(numbered_report.moment) AS last_at,
        MAX(numbered_report.tenths) AS last_tenths,
        COUNT(*) AS reports,
        COUNT(DISTINCT numbered_report.episode) AS episodes
    FROM seen
    INNER JOIN numbered_report
        ON numbered_report.fault = $fault
        AND numbered_report.machine_id = seen.machine_id
        AND numbered_report.side = seen.side
        AND numbered_report.moment >= seen.first_at
        AND numbered_report.moment < seen.until
    GROUP BY seen.machine_id, seen.side, seen.until
),
tried AS (
    SELECT
        seen.machine_id,
        seen.side,
        seen.until,
        case_work.moment,
        case_work.tenths,
        case_work.step,
        case_work.result,
        ROW_NUMBER() OVER (
            PARTITION BY seen.machine_id, seen.side, seen.until ORDER BY case_work.moment DESC, case_work.work_order_id DESC
        ) AS latest,
        COUNT(*) OVER (PARTITION BY seen.machine_id, seen.side, seen.until) AS attempts
    FROM seen
    INNER JOIN case_work
        ON case_work.fault = $fault
        AND case_work.machine_id = seen.machine_id
        AND case_work.side = seen.side
        AND case_work.moment >= seen.first_at
        AND case_work.moment < seen.until
        AND case_work.is_attempt
),
placed AS (
    SELECT
        seen.machine_id,
        seen.side,
        seen.first_at,
        reported.last_at,
        seen.first_tenths,
        reported.last_tenths,
        seen.until,
        seen.seen_tenths,
        seen.after_at,
        reported.episodes,
        reported.reports,
        COALESCE(tried.attempts, 0) AS attempts,
        tried.step AS last_step,
        GREATEST(0, LEAST(seen.seen_tenths, usage.last_tenths) - GREATEST(reported.last_tenths, COALESCE(tried.tenths, 0)))
            AS quiet_tenths,
        COALESCE(tried.moment >= reported.last_at AND COALESCE(tried.result, '') <> 'failed', FALSE) AS answered,
        seen.until >= $as_of_end AND machine.leaves = 'disposed' AS gone,
        seen.until >= $as_of_end AND machine.record_ends < $as_of_end AS lost
    FROM seen
    INNER JOIN reported
        ON reported.machine_id = seen.machine_id AND reported.side = seen.side AND reported.until = seen.until
    INNER JOIN machine ON machine.machine_id = seen.machine_id
    INNER JOIN usage ON usage.machine_id = seen.machine_id
    LEFT JOIN tried
        ON tried.machine_id = seen.machine_id AND tried.side = seen.side AND tried.until = seen.until AND tried.latest = 1
)
SELECT
    placed.machine_id,
    placed.side,
    CAST(ROW_NUMBER() OVER (ORDER BY placed.machine_id, placed.side, placed.until) AS BIGINT) AS case_no,
    placed.first_at,
    placed.last_at,
    placed.first_tenths,
    placed.last_tenths,
    placed.until,
    placed.seen_tenths,
    placed.after_at,
    placed.episodes,
    placed.reports,
    placed.attempts,
    placed.last_step,
    placed.quiet_tenths,
    placed.answered,
    CASE
        WHEN placed.gone OR placed.quiet_tenths >= family_window.confirmation_hours * 10 THEN 'closed'
        WHEN placed.lost THEN 'silent'
        WHEN placed.answered THEN 'answered'
        ELSE 'open'
    END AS state
FROM placed
INNER JOIN family_window ON family_window.fault = $fault
ORDER BY case_no
