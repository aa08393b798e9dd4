-- purpose: the cases of a fault family with what is known of their machine.
-- grain: one row a case
-- inputs: case_file, machine
-- parameters: fault, states (list of case states; NULL = all), sites, build_years, machines (lists; NULL = all)
-- output: case_id (0, 1, … in a fixed order), machine_id, side, case_no, state, first_at, last_at, first_tenths,
--   last_tenths, episodes, reports, attempts, last_step, quiet_tenths, site, model, build_year, control
SELECT
    CAST(ROW_NUMBER() OVER (ORDER BY case_file.machine_id, case_file.side, case_file.case_no) - 1 AS BIGINT) AS case_id,
    case_file.machine_id,
    case_file.side,
    case_file.case_no,
    case_file.state,
    case_file.first_at,
    case_file.last_at,
    case_file.first_tenths,
    case_file.last_tenths,
    case_file.episodes,
    case_file.reports,
    case_file.attempts,
    case_file.last_step,
    case_file.quiet_tenths,
    machine.site,
    machine.model,
    machine.build_year,
    machine.control
FROM case_file
INNER JOIN machine ON machine.machine_id = case_file.machine_id
WHERE case_file.fault = $fault
    AND ($states IS NULL OR ARRAY_CONTAINS($states, case_file.state))
    AND ($sites IS NULL OR ARRAY_CONTAINS($sites, machine.site))
    AND ($build_years IS NULL OR ARRAY_CONTAINS($build_years, machine.build_year))
    AND ($machines IS NULL OR ARRAY_CONTAINS($machines, machine.machine_id))
ORDER BY case_id
