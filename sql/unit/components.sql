-- purpose: the lives of one machine's followed parts.
-- grain: one row a fitting
-- inputs: spell
-- parameters: machine_id
-- output: component, side, variant, fitted_at, age_hours, ended_at, end_reason, how, inferred
SELECT component, side, variant, fitted_at, hours / 10.0 AS age_hours, ended_at, end_reason, how, inferred
FROM spell
WHERE machine_id = $machine_id
ORDER BY component, side, fit
