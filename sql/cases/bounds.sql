-- purpose: the cases that are weighed: those of the history, joined where the fault before was never repaired and is more
--   likely still there, and cut where a return is more likely a new fault than the old one still there.
-- grain: one row a machine, side and weighed case
-- inputs: looked_at (machine_id, side: where), case_file, same_fault (machine_id, side, first_at: cases of the history that are the one before; may be empty),
--   new_fault (machine_id, side, first_at, first_tenths: where to cut; may be empty), numbered_report, case_work,
--   machine_hours
-- parameters: fault
-- output: machine_id, side, case_no (1, 2, … on its side), first_at, last_at,
--   first_tenths, last_tenths, until (first report of the next case; NULL = last), seen_tenths (NULL: seen to its end), after_at (last repair of the case
--   before; NULL = none), episodes, reports, attempts, last_step, quiet_tenths, answered (the last repair, one that
--   did not fail its own test, came after the last report), state
WITH beginning AS (
    SELECT case_file.machine_id, case_file.side, case_file.first_at, case_file.first_tenths
    FROM case_file
    INNER JOIN looked_at ON looked_at.machine_id = case_file.machine_id AND looked_at.side = case_file.side
    LEFT JOIN same_fault
        ON same_fault.machine_id = case_file.machine_id
        AND same_fault.side = case_file.side
        AND same_fault.first_at = case_file.first_at
    WHERE case_file.fault = $fault AND same_fault.machine_id IS NULL
    UNION
    SELECT new_fault.machine_id, new_fault.side, new_fault.first_at, new_fault.first_tenths
    FROM new_fault
    INNER JOIN looked_at ON looked_at.machine_id = new_fault.machine_id AND looked_at.side = new_fault.side
),
numbered AS (
    SELECT
        machine_id,
        side,
        first_at,
        first_tenths,
        CAST(ROW_NUMBER() OVER one_side AS BIGINT) AS case_no,
        LEAD(first_at) OVER one_side AS until
    FROM beginning
    WINDOW one_side AS (PARTITION BY machine_id, side ORDER BY first_at)
),
held AS (
    SELECT
        numbered.*,
        case_file.until AS history_until,
        case_file.state AS history_state,
        ROW_NUMBER() OVER (
            PARTITION BY numbered.machine_id, numbered.side, numbered.case_no ORDER BY case_file.first_at DESC
        ) AS latest
    FROM numbered
    INNER JOIN case_file
        ON case_file.fault = $fault
        AND case_file.machine_id = numbered.machine_id
        AND case_file.side = numbered.side
        AND (numbered.until IS NULL OR case_file.first_at < numbered.until)
        AND (case_file.until IS NULL OR case_file.until > numbered.first_at)
),
bounded AS (
    SELECT
        machine_id,
        side,
        case_no,
        first_at,
        first_tenths,
        until,
        CASE WHEN until IS NULL OR until = history_until THEN history_state ELSE 'closed' END AS state
    FROM held
    WHERE latest = 1
),
reported AS (
    SELECT
        bounded.machine_id,
        bounded.side,
        bounded.case_no,
        MAX(numbered_report.moment) AS last_at,
        MAX(numbered_report.tenths) AS last_tenths,
        COUNT(*) AS reports,
        COUNT(DISTINCT numbered_report.episode) AS episodes
    FROM bounded
    INNER JOIN numbered_report
        ON numbered_report.fault = $fault
        AND numbered_report.machine_id = bounded.machine_id
        AND numbered_report.side = bounded.side
        AND numbered_report.moment >= bounded.first_at
        AND (bounded.until IS NULL OR numbered_report.moment < bounded.until)
    GROUP BY bounded.machine_id, bounded.side, bounded.case_no
),
tried AS (
    SELECT
        bounded.machine_id,
        bounded.side,
        bounded.case_no,
        case_work.moment,
        case_work.tenths,
        case_work.step,
        case_work.result,
        ROW_NUMBER() OVER (
            PARTITION BY bounded.machine_id, bounded.side, bounded.case_no ORDER BY case_work.moment DESC, case_work.work_order_id DESC
        ) AS latest,
        COUNT(*) OVER (PARTITION BY bounded.machine_id, bounded.side, bounded.case_no) AS attempts
    FROM bounded
    INNER JOIN case_work
        ON case_work.fault = $fault
        AND case_work.machine_id = bounded.machine_id
        AND case_work.side = bounded.side
        AND case_work.moment >= bounded.first_at
        AND (bounded.until IS NULL OR case_work.moment < bounded.until)
        AND case_work.is_attempt
)
SELECT
    bounded.machine_id,
    bounded.side,
    bounded.case_no,
    bounded.first_at,
    reported.last_at,
    bounded.first_tenths,
    reported.last_tenths,
    bounded.until,
    CAST(NULL AS BIGINT) AS seen_tenths,
    LAG(tried.moment) OVER (PARTITION BY bounded.machine_id, bounded.side ORDER BY bounded.case_no) AS after_at,
    reported.episodes,
    reported.reports,
    COALESCE(tried.attempts, 0) AS attempts,
    tried.step AS last_step,
    GREATEST(0, machine_hours.end_tenths - GREATEST(reported.last_tenths, COALESCE(tried.tenths, 0))) AS quiet_tenths,
    COALESCE(tried.moment >= reported.last_at AND COALESCE(tried.result, '') <> 'failed', FALSE) AS answered,
    bounded.state
FROM bounded
INNER JOIN machine_hours ON machine_hours.machine_id = bounded.machine_id
INNER JOIN reported
    ON reported.machine_id = bounded.machine_id AND reported.side = bounded.side AND reported.case_no = bounded.case_no
LEFT JOIN tried
    ON tried.machine_id = bounded.machine_id
    AND tried.side = bounded.side
    AND tried.case_no = bounded.case_no
    AND tried.latest = 1
