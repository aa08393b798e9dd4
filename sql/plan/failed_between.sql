-- purpose: failures found in a stretch of time, to set beside what a forecast expected.
-- grain: one row a component and machine with any
-- inputs: scoped_spell
-- parameters: from_at, until_at, sites, build_years, machines (lists; NULL = all)
-- output: component, machine_id, failures
SELECT component, machine_id, COUNT(*) AS failures
FROM scoped_spell
WHERE failed AND ended_at >= $from_at AND ended_at < $until_at
GROUP BY component, machine_id
ORDER BY component, machine_id
