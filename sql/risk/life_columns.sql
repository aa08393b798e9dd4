-- purpose: what each of a component's lives can be split by, for lives that are counted by what is believed of their cases.
-- grain: one row a machine, side and fitting
-- inputs: component_life
-- parameters: component, sites, build_years, machines (lists; NULL = all)
-- strata: build_year, variant, side, sensor_kind, site, make, model, machine_type, control
-- output: the stratum columns, of_machine, of_side, of_fit, watched_from (age in tenths of a running hour at which its
--   observation begins), ended_at
SELECT /*strata*/ machine_id AS of_machine, side AS of_side, fit AS of_fit, entry AS watched_from, ended_at
FROM component_life
