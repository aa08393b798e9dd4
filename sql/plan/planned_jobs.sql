-- purpose: how long a machine stood for a job that nothing forced: the part was replaced before it had failed.
-- grain: one row
-- inputs: work_step, work_orders, part_failure, case_step
-- parameters: component, action
-- output: jobs, labour_hours, shop_days (means an order: all its labour, days from its opening to its closing; NULL = no
--   such job on record)
WITH done AS (
    SELECT DISTINCT work_step.work_order_id
    FROM work_step
    WHERE work_step.component = $component AND work_step.action = $action
),
forced AS (
    SELECT work_step.work_order_id
    FROM work_step
    INNER JOIN part_failure ON part_failure.component = work_step.component AND part_failure.finding = work_step.finding
    UNION
    SELECT work_order_id FROM case_step
),
job AS (
    SELECT
        work_orders.work_order_id,
        (EPOCH(work_orders.closed_at) - EPOCH(work_orders.opened_at)) / 86400 AS shop_days
    FROM done
    INNER JOIN work_orders ON work_orders.work_order_id = done.work_order_id
    LEFT JOIN forced ON forced.work_order_id = done.work_order_id
    WHERE forced.work_order_id IS NULL AND work_orders.closed_at > work_orders.opened_at
),
effort AS (
    -- Decimal sums are exact, so the order of rows cannot show.
    SELECT work_step.work_order_id, CAST(SUM(CAST(COALESCE(work_step.labour_hours, 0.0) AS DECIMAL(28, 8))) AS DOUBLE) AS labour_hours
    FROM work_step
    GROUP BY work_step.work_order_id
)
SELECT COUNT(*) AS jobs, AVG(CAST(effort.labour_hours AS DECIMAL(28, 8))) AS labour_hours, AVG(CAST(job.shop_days AS DECIMAL(28, 8))) AS shop_days
FROM job
INNER JOIN effort ON effort.work_order_id = job.work_order_id
