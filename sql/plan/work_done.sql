-- purpose: the work that was done in a stretch of time, to set beside what a forecast expected.
-- grain: one row a component and action
-- inputs: work_step, scoped_machine
-- parameters: from_at, until_at, sites, build_years, machines (lists; NULL = all)
-- output: component, action, jobs, pieces (parts by the lines' quantity; one where none is told), labour_hours
SELECT
    work_step.component,
    work_step.action,
    COUNT(*) AS jobs,
    -- Decimal sums are exact, so the order of rows cannot show.
    CAST(SUM(CAST(COALESCE(work_step.quantity, 1.0) AS DECIMAL(18, 4))) AS DOUBLE) AS pieces,
    CAST(SUM(CAST(COALESCE(work_step.labour_hours, 0.0) AS DECIMAL(18, 4))) AS DOUBLE) AS labour_hours
FROM work_step
INNER JOIN scoped_machine ON scoped_machine.machine_id = work_step.machine_id
WHERE work_step.moment >= $from_at AND work_step.moment < $until_at
GROUP BY work_step.component, work_step.action
ORDER BY work_step.component, work_step.action
