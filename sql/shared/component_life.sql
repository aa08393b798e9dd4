-- purpose: one component's lives that were observed over some time, in the part of the fleet that is asked about.
-- grain: one row a machine, side and fitting
-- inputs: scoped_spell
-- parameters: component, sites, build_years, machines (lists; NULL = all)
-- output: the columns of spell
SELECT *
FROM scoped_spell
WHERE component = $component AND entry < hours
