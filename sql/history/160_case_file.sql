-- purpose: cases: the episodes of one family, machine and side between two stretches quiet for the whole confirmation
--   window; and where each case stands.
-- grain: one row a fault family, machine, side and case
-- inputs: episode, outcome, machine, clock, family_window
-- parameters: as_of_end
-- output: fault, machine_id, side, case_no, first_at, last_at, first_tenths, last_tenths, episodes, reports, until
--   (first report of the next case; NULL = last case), attempts, last_attempt_at, last_step, quiet_tenths (running
--   hours since the last report, or since the last attempt if that is later), state ('open', 'answered' = repaired
--   and being followed, 'closed' = quiet past the window, or the machine is gone)
WITH begun AS (
    SELECT
        episode.*,
        CASE
            WHEN first_tenths - LAG(last_tenths) OVER (PARTITION BY fault, machine_id, side ORDER BY episode) < confirmation_tenths
                THEN 0
            ELSE 1
        END AS begins
    FROM (
        SELECT episode.*, CAST(family_window.confirmation_hours * 10 AS BIGINT) AS confirmation_tenths
        FROM episode
        INNER JOIN family_window ON family_window.fault = episode.fault
    ) AS episode
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
),
bounded AS (
    SELECT *, LEAD(first_at) OVER (PARTITION BY fault, machine_id, side ORDER BY case_no) AS until FROM gathered
),
tried AS (
    SELECT
        bounded.fault,
        bounded.machine_id,
        bounded.side,
        bounded.case_no,
        outcome.moment,
        outcome.tenths,
        outcome.step,
        outcome.result,
        ROW_NUMBER() OVER (
            PARTITION BY bounded.fault, bounded.machine_id, bounded.side, bounded.case_no
            ORDER BY outcome.moment DESC, outcome.work_order_id DESC
        ) AS latest,
        COUNT(*) OVER (PARTITION BY bounded.fault, bounded.machine_id, bounded.side, bounded.case_no) AS attempts
    FROM bounded
    INNER JOIN outcome
        ON outcome.fault = bounded.fault
        AND outcome.machine_id = bounded.machine_id
        AND outcome.side = bounded.side
        AND outcome.moment >= bounded.first_at
        AND (bounded.until IS NULL OR outcome.moment < bounded.until)
),
placed AS (
    SELECT
        bounded.*,
        COALESCE(tried.attempts, 0) AS attempts,
        tried.moment AS last_attempt_at,
        tried.step AS last_step,
        tried.moment >= bounded.last_at AND COALESCE(tried.result, '') <> 'failed' AS answered,
        last_clock.tenths - GREATEST(bounded.last_tenths, COALESCE(tried.tenths, 0)) AS quiet_tenths,
        machine.leaves,
        machine.record_ends
    FROM bounded
    INNER JOIN machine ON machine.machine_id = bounded.machine_id
    INNER JOIN clock AS last_clock ON last_clock.machine_id = machine.machine_id AND last_clock.moment = machine.record_ends
    LEFT JOIN tried
        ON tried.fault = bounded.fault
        AND tried.machine_id = bounded.machine_id
        AND tried.side = bounded.side
        AND tried.case_no = bounded.case_no
        AND tried.latest = 1
)
SELECT
    fault,
    machine_id,
    side,
    case_no,
    first_at,
    last_at,
    first_tenths,
    last_tenths,
    episodes,
    reports,
    until,
    attempts,
    last_attempt_at,
    last_step,
    GREATEST(0, quiet_tenths) AS quiet_tenths,
    CASE
        WHEN until IS NOT NULL OR leaves = 'disposed' OR record_ends < $as_of_end OR quiet_tenths >= confirmation_tenths THEN 'closed'
        WHEN COALESCE(answered, FALSE) THEN 'answered'
        ELSE 'open'
    END AS state
FROM placed
