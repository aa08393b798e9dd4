-- purpose: the machines of the part of the fleet that is asked about.
-- grain: one row a machine
-- inputs: machine
-- parameters: sites, build_years, machines (lists; NULL = all)
-- output: the columns of machine
SELECT *
FROM machine
WHERE ($sites IS NULL OR ARRAY_CONTAINS($sites, site))
    AND ($build_years IS NULL OR ARRAY_CONTAINS($build_years, build_year))
    AND ($machines IS NULL OR ARRAY_CONTAINS($machines, machine_id))
