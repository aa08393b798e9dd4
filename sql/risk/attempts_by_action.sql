-- purpose: how often each repair was tried, how often the fault came back within the window, and what it took.
-- grain: one row a repair step
-- inputs: outcome, scoped_machine, family_step
-- parameters: fault, window_tenths, sites, build_years, machines (lists; NULL = all)
-- output: step, component, action, step_order, attempts, comebacks (within the window), censored (followed for less
--   than the window without a return), labour_hours, cost (means of those recorded), found_sound (old part had no
--   fault)
SELECT
    outcome.step,
    MIN(family_step.component) AS component,
    MIN(family_step.action) AS action,
    MIN(family_step.step_order) AS step_order,
    COUNT(*) AS attempts,
    CAST(SUM(CASE WHEN outcome.came_back AND outcome.held_tenths <= $window_tenths THEN 1 ELSE 0 END) AS BIGINT) AS comebacks,
    CAST(SUM(CASE WHEN NOT outcome.came_back AND outcome.held_tenths < $window_tenths THEN 1 ELSE 0 END) AS BIGINT) AS censored,
    -- Decimal sums are exact, so the order of rows cannot show.
    CAST(SUM(CAST(outcome.labour_hours AS DECIMAL(18, 4))) AS DOUBLE) / COUNT(outcome.labour_hours) AS labour_hours,
    CAST(SUM(CAST(outcome.cost AS DECIMAL(18, 4))) AS DOUBLE) / COUNT(outcome.cost) AS cost,
    CAST(SUM(CASE WHEN outcome.finding = 'no_fault_found' THEN 1 ELSE 0 END) AS BIGINT) AS found_sound
FROM outcome
INNER JOIN scoped_machine ON scoped_machine.machine_id = outcome.machine_id
INNER JOIN (
    SELECT fault, step, MIN(step_order) AS step_order, MIN(step_component) AS component, MIN(step_action) AS action
    FROM family_step
    GROUP BY fault, step
) AS family_step ON family_step.fault = outcome.fault AND family_step.step = outcome.step
WHERE outcome.fault = $fault
GROUP BY outcome.step
ORDER BY step_order
