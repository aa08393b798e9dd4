-- purpose: what a stretch of time cost in work on a fault.
-- grain: one row an action and component
-- inputs: case_step, scoped_machine
-- parameters: fault, from_at, until_at, labour_rate (per labour hour, where a line has hours but no labour cost),
--   sites, build_years, machines (lists; NULL = all)
-- output: action, component, jobs, labour_hours, labour_cost, parts_cost, cost
WITH line AS (
    SELECT DISTINCT
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
    WHERE fault = $fault AND moment >= $from_at AND moment < $until_at
)
SELECT
    action,
    component,
    COUNT(*) AS jobs,
    CAST(SUM(labour_hours) AS DOUBLE) AS labour_hours,
    CAST(SUM(labour_cost) AS DOUBLE) AS labour_cost,
    CAST(SUM(parts_cost) AS DOUBLE) AS parts_cost,
    CAST(SUM(labour_cost + parts_cost) AS DOUBLE) AS cost
FROM line
GROUP BY action, component
ORDER BY cost DESC, action, component
