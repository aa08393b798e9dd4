-- purpose: what the cases of a fault turned out to be: by a finding that confirms the cause, or by a cure that held.
-- grain: one row a confirmed cause and step that held
-- inputs: case_file, case_step, family_confirm, outcome
-- parameters: fault
-- output: cause ('' = no finding confirms any), held_step (the last step that held past the confirmation window; '' =
--   none), cases
WITH confirmed AS (
    SELECT
        case_file.machine_id,
        case_file.side,
        case_file.case_no,
        family_confirm.cause,
        ROW_NUMBER() OVER (
            PARTITION BY case_file.machine_id, case_file.side, case_file.case_no
            ORDER BY case_step.step_order DESC, case_step.moment DESC, family_confirm.cause
        ) AS furthest
    FROM case_file
    INNER JOIN case_step
        ON case_step.fault = case_file.fault
        AND case_step.machine_id = case_file.machine_id
        AND case_step.side = case_file.side
        AND case_step.moment >= case_file.first_at
        AND (case_file.until IS NULL OR case_step.moment < case_file.until)
    INNER JOIN family_confirm
        ON family_confirm.fault = case_step.fault
        AND family_confirm.step = case_step.step
        AND family_confirm.finding = case_step.finding
    WHERE case_file.fault = $fault
),
held AS (
    SELECT
        case_file.machine_id,
        case_file.side,
        case_file.case_no,
        outcome.step,
        ROW_NUMBER() OVER (
            PARTITION BY case_file.machine_id, case_file.side, case_file.case_no
            ORDER BY outcome.moment DESC, outcome.work_order_id DESC
        ) AS latest
    FROM case_file
    INNER JOIN outcome
        ON outcome.fault = case_file.fault
        AND outcome.machine_id = case_file.machine_id
        AND outcome.side = case_file.side
        AND outcome.moment >= case_file.first_at
        AND (case_file.until IS NULL OR outcome.moment < case_file.until)
    WHERE case_file.fault = $fault AND outcome.outcome = 'held'
)
SELECT
    COALESCE(confirmed.cause, '') AS cause,
    COALESCE(held.step, '') AS held_step,
    COUNT(*) AS cases
FROM case_file
LEFT JOIN confirmed
    ON confirmed.machine_id = case_file.machine_id
    AND confirmed.side = case_file.side
    AND confirmed.case_no = case_file.case_no
    AND confirmed.furthest = 1
LEFT JOIN held
    ON held.machine_id = case_file.machine_id
    AND held.side = case_file.side
    AND held.case_no = case_file.case_no
    AND held.latest = 1
WHERE case_file.fault = $fault
GROUP BY COALESCE(confirmed.cause, ''), COALESCE(held.step, '')
ORDER BY cause, held_step
