-- purpose: where each case stands.
-- grain: one row a fault family, machine, side and case
-- inputs: case_span, case_work, machine, machine_hours, usage
-- parameters: as_of_end
-- output: fault, machine_id, side, case_no, first_at, last_at, first_tenths, last_tenths, episodes, reports, until
--   (first report of the next case; NULL = last case), attempts, last_attempt_at, last_step, answered (TRUE: an attempt
--   that did not fail its own test came after the last report), quiet_tenths (running hours read since the last report,
--   or since the last attempt if that is later; hours that nobody read count for nothing), state ('open', 'answered' =
--   repaired and being followed, 'silent' = not heard of for too long to know, 'closed' = quiet past the window, or the
--   machine left the fleet)
WITH tried AS (
    SELECT
        fault,
        machine_id,
        side,
        case_no,
        moment,
        tenths,
        step,
        result,
        ROW_NUMBER() OVER (PARTITION BY fault, machine_id, side, case_no ORDER BY moment DESC, work_order_id DESC) AS latest,
        COUNT(*) OVER (PARTITION BY fault, machine_id, side, case_no) AS attempts
    FROM case_work
    WHERE is_attempt
),
placed AS (
    SELECT
        case_span.*,
        COALESCE(tried.attempts, 0) AS attempts,
        tried.moment AS last_attempt_at,
        tried.step AS last_step,
        tried.moment >= case_span.last_at AND COALESCE(tried.result, '') <> 'failed' AS answered,
        LEAST(machine_hours.end_tenths, usage.last_tenths) - GREATEST(case_span.last_tenths, COALESCE(tried.tenths, 0)) AS quiet_tenths,
        machine.leaves,
        machine.record_ends
    FROM case_span
    INNER JOIN machine ON machine.machine_id = case_span.machine_id
    INNER JOIN machine_hours ON machine_hours.machine_id = case_span.machine_id
    INNER JOIN usage ON usage.machine_id = case_span.machine_id
    LEFT JOIN tried
        ON tried.fault = case_span.fault
        AND tried.machine_id = case_span.machine_id
        AND tried.side = case_span.side
        AND tried.case_no = case_span.case_no
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
    COALESCE(answered, FALSE) AS answered,
    GREATEST(0, quiet_tenths) AS quiet_tenths,
    CASE
        WHEN until IS NOT NULL OR leaves = 'disposed' OR quiet_tenths >= confirmation_tenths THEN 'closed'
        WHEN record_ends < $as_of_end THEN 'silent'
        WHEN COALESCE(answered, FALSE) THEN 'answered'
        ELSE 'open'
    END AS state
FROM placed
