-- purpose: what it took to end cases whose cause was found.
-- grain: one row a cause
-- inputs: case_file, case_work, work_orders
-- parameters: fault
-- output: cause, cases, labour_hours, parts_cost, visits, shop_days, case_days (means a case: labour hours and parts as
--   recorded, visits to the shop, days from the opening to the closing of their orders, days from the first report to
--   the last repair)
WITH step AS (
    SELECT DISTINCT
        case_work.machine_id,
        case_work.side,
        case_work.case_no,
        case_work.work_order_id,
        case_work.line_no,
        case_work.labour_hours,
        case_work.parts_cost,
        case_work.cause,
        case_work.step_order
    FROM case_work
    INNER JOIN case_file USING (fault, machine_id, side, case_no)
    WHERE case_work.fault = $fault AND case_file.state NOT IN ('open', 'silent')
),
found AS (
    SELECT
        machine_id,
        side,
        case_no,
        cause,
        ROW_NUMBER() OVER (PARTITION BY machine_id, side, case_no ORDER BY step_order DESC, cause) AS furthest
    FROM step
    WHERE cause IS NOT NULL
),
visit AS (
    SELECT DISTINCT step.machine_id, step.side, step.case_no, step.work_order_id, work_orders.opened_at, work_orders.closed_at
    FROM step
    INNER JOIN work_orders ON work_orders.work_order_id = step.work_order_id
),
stayed AS (
    SELECT
        machine_id,
        side,
        case_no,
        COUNT(*) AS visits,
        CAST(SUM(CAST(CASE WHEN closed_at > opened_at THEN EPOCH(closed_at) - EPOCH(opened_at) ELSE 0 END AS DECIMAL(28, 8))) AS DOUBLE) / 86400 AS shop_days
    FROM visit
    GROUP BY machine_id, side, case_no
),
effort AS (
    SELECT
        machine_id,
        side,
        case_no,
        -- Decimal sums are exact, so the order of rows cannot show.
        CAST(SUM(CAST(COALESCE(labour_hours, 0.0) AS DECIMAL(28, 8))) AS DOUBLE) AS labour_hours,
        CAST(SUM(CAST(COALESCE(parts_cost, 0.0) AS DECIMAL(28, 8))) AS DOUBLE) AS parts_cost
    FROM step
    GROUP BY machine_id, side, case_no
)
SELECT
    found.cause,
    COUNT(*) AS cases,
    AVG(CAST(effort.labour_hours AS DECIMAL(28, 8))) AS labour_hours,
    AVG(CAST(effort.parts_cost AS DECIMAL(28, 8))) AS parts_cost,
    AVG(stayed.visits) AS visits,
    AVG(CAST(stayed.shop_days AS DECIMAL(28, 8))) AS shop_days,
    AVG(CAST(CASE WHEN case_file.last_attempt_at > case_file.first_at
            THEN (EPOCH(case_file.last_attempt_at) - EPOCH(case_file.first_at)) / 86400
            ELSE 0
        END AS DECIMAL(28, 8))) AS case_days
FROM found
INNER JOIN effort USING (machine_id, side, case_no)
INNER JOIN stayed USING (machine_id, side, case_no)
INNER JOIN case_file
    ON case_file.fault = $fault
    AND case_file.machine_id = found.machine_id
    AND case_file.side = found.side
    AND case_file.case_no = found.case_no
WHERE found.furthest = 1
GROUP BY found.cause
ORDER BY found.cause
