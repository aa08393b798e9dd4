-- purpose: until when each machine ran without a case on any side, to compare months of build.
-- grain: one row a machine whose month of build is known
-- inputs: exposed_machine, case_file, part_fit
-- parameters: fault, component (whose design as built counts), sites, build_years, machines (lists; NULL = all)
-- output: machine_id, make ('' = not told), variant (of the component as built; '' = not known), built (DATE, the first of
--   the month), entry, hours (running hours of the machine, in tenths, at the beginning and end of its records),
--   failed_at (the same at its first case; NULL = none)
WITH first_case AS (
    SELECT machine_id, MIN(first_tenths) AS tenths FROM case_file WHERE fault = $fault GROUP BY machine_id
),
built_with AS (
    SELECT machine_id, MIN(variant) AS variant FROM part_fit WHERE component = $component AND how = 'factory' GROUP BY machine_id
)
SELECT
    exposed_machine.machine_id,
    COALESCE(exposed_machine.make, '') AS make,
    COALESCE(built_with.variant, '') AS variant,
    CAST(exposed_machine.built_earliest - (EXTRACT(DAY FROM exposed_machine.built_earliest) - 1) * INTERVAL 1 DAY AS DATE) AS built,
    exposed_machine.entry,
    exposed_machine.hours,
    CASE WHEN first_case.tenths <= exposed_machine.hours THEN first_case.tenths END AS failed_at
FROM exposed_machine
LEFT JOIN first_case ON first_case.machine_id = exposed_machine.machine_id
LEFT JOIN built_with ON built_with.machine_id = exposed_machine.machine_id
WHERE exposed_machine.built_latest - exposed_machine.built_earliest < 31
    AND (first_case.tenths IS NULL OR first_case.tenths > exposed_machine.entry)
ORDER BY exposed_machine.machine_id
