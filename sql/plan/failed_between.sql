-- purpose: failures found in a stretch of time, to set beside what a forecast expected.
-- grain: one row a component and machine with any
-- inputs: spell
-- parameters: from_at, until_at, sites, build_years, machines (lists; NULL = all)
-- output: component, machine_id, failures
SELECT component, machine_id, COUNT(*) AS failures
FROM spell
WHERE failed
    AND ended_at >= $from_at
    AND ended_at < $until_at
    AND ($sites IS NULL OR ARRAY_CONTAINS($sites, site))
    AND ($build_years IS NULL OR ARRAY_CONTAINS($build_years, build_year))
    AND ($machines IS NULL OR ARRAY_CONTAINS($machines, machine_id))
GROUP BY component, machine_id
ORDER BY component, machine_id
