-- purpose: the lives of each machine's followed parts.
-- grain: one row a fitting
-- inputs: spell
-- parameters: machines (list)
-- output: machine_id, component, side, variant, fitted_at, age_hours, ended_at, end_reason, how, inferred
SELECT
    machine_id,
    component,
    side,
    variant,
    fitted_at,
    hours / 10.0 AS age_hours,
    ended_at,
    end_reason,
    how,
    inferred
FROM spell
WHERE ARRAY_CONTAINS($machines, machine_id)
ORDER BY machine_id, component, side, fit
