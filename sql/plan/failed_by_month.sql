-- purpose: failures that came, by calendar month, to check forecasts against.
-- grain: one row a component, calendar month and machine in which any failed
-- inputs: spell
-- parameters: sites, build_years, machines (lists; NULL = all)
-- output: component, month (months since 1970-01), machine_id, failures
SELECT
    component,
    CAST((EXTRACT(YEAR FROM ended_at) - 1970) * 12 + EXTRACT(MONTH FROM ended_at) - 1 AS BIGINT) AS month,
    machine_id,
    COUNT(*) AS failures
FROM spell
WHERE failed
    AND ($sites IS NULL OR ARRAY_CONTAINS($sites, site))
    AND ($build_years IS NULL OR ARRAY_CONTAINS($build_years, build_year))
    AND ($machines IS NULL OR ARRAY_CONTAINS($machines, machine_id))
GROUP BY component, month, machine_id
ORDER BY component, month, machine_id
