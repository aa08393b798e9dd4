-- purpose: design changes that speak of no machine on the list: most often a maker's name written otherwise
-- grain: one row a part, make, model and kind of serial number
-- inputs: design_change, machines
-- output: component, make, model (in lower case; NULL = all), serial_pattern (NULL = none)
SELECT DISTINCT
    design_change.component,
    design_change.make,
    design_change.model,
    design_change.serial_pattern
FROM design_change
LEFT JOIN machines
    ON (design_change.make IS NULL OR LOWER(machines.make) = design_change.make)
    AND (design_change.model IS NULL OR LOWER(machines.model) = design_change.model)
    AND (design_change.serial_pattern IS NULL OR machines.serial_number LIKE design_change.serial_pattern)
WHERE machines.machine_id IS NULL AND NOT design_change.spare
ORDER BY design_change.component, design_change.make, design_change.model, design_change.serial_pattern
