-- purpose: what stretches of time cost in work on a fault.
-- grain: one row a stretch, action and component
-- inputs: asked_time (handed over: stretch, from_at, until_at), case_step, scoped_machine
-- parameters: fault, labour_rate (per labour hour, where a line has hours but no labour cost), sites, build_years,
--   machines (lists; NULL = all)
-- output: stretch, action, component, jobs, labour_hours, labour_cost, parts_cost, cost
WITH line AS (
    SELECT DISTINCT
        asked_time.stretch,
        work_order_id,
        line_no,
        action,
        component,
        -- Decimal sums are exact, so the order of rows cannot show.
        CAST(COALESCE(labour_hours, 0.0) AS DECIMAL(18, 4)) AS labour_hours,
        CAST(COALESCE(labour_cost, labour_hours * $labour_rate, 0.0) AS DECIMAL(18, 4)) AS labour_cost,
        CAST(COALESCE(parts_cost, 0.0) AS DECIMAL(18, 4)) AS parts_cost
    FROM case_step
    INNER JOIN scoped_machine ON scoped_machine.machine_id = case_step.machine_id
    INNER JOIN asked_time ON case_step.moment >= asked_time.from_at AND case_step.moment < asked_time.until_at
    WHERE fault = $fault
)
SELECT
    stretch,
    action,
    component,
    COUNT(*) AS jobs,
    CAST(SUM(labour_hours) AS DOUBLE) AS labour_hours,
    CAST(SUM(labour_cost) AS DOUBLE) AS labour_cost,
    CAST(SUM(parts_cost) AS DOUBLE) AS parts_cost,
    CAST(SUM(labour_cost + parts_cost) AS DOUBLE) AS cost
FROM line
GROUP BY stretch, action, component
ORDER BY stretch, cost DESC, action, component
