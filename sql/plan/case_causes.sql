-- purpose: what the cases of a fault turned out to be: by a finding that confirms the cause, or by a cure that held.
-- grain: one row a confirmed cause and step that held
-- inputs: case_file, case_work
-- parameters: fault
-- output: cause ('' = no finding confirms any), held_step (the last step that held past the confirmation window; '' =
--   none), cases
WITH confirmed AS (
    SELECT
        machine_id,
        side,
        case_no,
        cause,
        ROW_NUMBER() OVER (PARTITION BY machine_id, side, case_no ORDER BY step_order DESC, moment DESC, cause) AS furthest
    FROM case_work
    WHERE fault = $fault AND cause IS NOT NULL
),
held AS (
    SELECT
        machine_id,
        side,
        case_no,
        step,
        ROW_NUMBER() OVER (PARTITION BY machine_id, side, case_no ORDER BY moment DESC, work_order_id DESC) AS latest
    FROM case_work
    WHERE fault = $fault AND outcome = 'held'
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
