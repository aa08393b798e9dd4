-- purpose: the lives of the part of the fleet that is asked about. A life carries its machine's site and build year, so
--   that the millions of a large fleet need no join with their machines.
-- grain: one row a machine, component, side and fitting
-- inputs: spell
-- parameters: sites, build_years, machines (lists; NULL = all)
-- output: the columns of spell
SELECT *
FROM spell
WHERE ($sites IS NULL OR ARRAY_CONTAINS($sites, site))
    AND ($build_years IS NULL OR ARRAY_CONTAINS($build_years, build_year))
    AND ($machines IS NULL OR ARRAY_CONTAINS($machines, machine_id))
