-- purpose: what the survival of a component leaves out or takes on trust.
-- grain: one row
-- inputs: scoped_spell
-- parameters: component, sites, build_years, machines (lists; NULL = all)
-- output: before_records (lives that ended before the machine's records began), no_time (lives whose observation ends at
--   the age at which it begins), inferred (observed parts known only from the machine's build date), estimated (lives
--   followed beyond the last reading)
SELECT
    CAST(COALESCE(SUM(CASE WHEN entry > hours THEN 1 ELSE 0 END), 0) AS BIGINT) AS before_records,
    CAST(COALESCE(SUM(CASE WHEN entry = hours THEN 1 ELSE 0 END), 0) AS BIGINT) AS no_time,
    CAST(COALESCE(SUM(CASE WHEN inferred AND entry < hours THEN 1 ELSE 0 END), 0) AS BIGINT) AS inferred,
    CAST(COALESCE(SUM(CASE WHEN estimated AND entry < hours THEN 1 ELSE 0 END), 0) AS BIGINT) AS estimated
FROM scoped_spell
WHERE component = $component
