-- purpose: repair attempts: the most far-reaching cure tried on one side in one visit to the shop.
-- grain: one row a fault family, machine, side and work order in which a cure was tried
-- inputs: case_step
-- output: fault, machine_id, side, moment, tenths, work_order_id, line_no, step, component, action, finding, result, labour_hours,
--   cost (labour and parts of the visit's case steps on that side as recorded; NULL = none recorded)
WITH visit AS (
    SELECT
        *,
        ROW_NUMBER() OVER (
            PARTITION BY fault, machine_id, side, work_order_id ORDER BY step_order DESC, moment DESC, line_no DESC
        ) AS reach
    FROM case_step
    WHERE kind = 'cure'
),
effort AS (
    SELECT
        fault,
        machine_id,
        side,
        work_order_id,
        -- Decimal sums are exact, so the order of rows cannot show.
        CAST(SUM(CAST(labour_hours AS DECIMAL(18, 4))) AS DOUBLE) AS labour_hours,
        CAST(SUM(CAST(labour_cost AS DECIMAL(18, 4))) AS DOUBLE) AS labour_cost,
        CAST(SUM(CAST(parts_cost AS DECIMAL(18, 4))) AS DOUBLE) AS parts_cost
    FROM case_step
    GROUP BY fault, machine_id, side, work_order_id
)
SELECT
    visit.fault,
    visit.machine_id,
    visit.side,
    visit.moment,
    visit.tenths,
    visit.work_order_id,
    visit.line_no,
    visit.step,
    visit.component,
    visit.action,
    visit.finding,
    visit.result,
    effort.labour_hours,
    CASE
        WHEN effort.labour_cost IS NOT NULL OR effort.parts_cost IS NOT NULL
            THEN COALESCE(effort.labour_cost, 0.0) + COALESCE(effort.parts_cost, 0.0)
    END AS cost
FROM visit
INNER JOIN effort USING (fault, machine_id, side, work_order_id)
WHERE visit.reach = 1
