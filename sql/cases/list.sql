-- purpose: the weighed cases of a fault family with what is known of their machine.
-- grain: one row a case
-- inputs: weighed_case, machine, machine_hours
-- parameters: settling (tenths of an hour)
-- output: case_id (0, 1, … in a fixed order), machine_id, side, case_no, state, first_at, last_at, first_tenths,
--   last_tenths, until, episodes, reports, attempts, last_step, quiet_tenths, answered, in_fleet (its machine has not
--   left), site, model, build_year, control, may_predate (it showed so soon after the records of its machine began that
--   the fault may have stood before)
SELECT
    CAST(ROW_NUMBER() OVER (ORDER BY weighed_case.machine_id, weighed_case.side, weighed_case.case_no) - 1 AS BIGINT) AS case_id,
    weighed_case.machine_id,
    weighed_case.side,
    weighed_case.case_no,
    weighed_case.state,
    weighed_case.first_at,
    weighed_case.last_at,
    weighed_case.first_tenths,
    weighed_case.last_tenths,
    weighed_case.until,
    weighed_case.episodes,
    weighed_case.reports,
    weighed_case.attempts,
    weighed_case.last_step,
    weighed_case.quiet_tenths,
    weighed_case.answered,
    machine.leaves = 'records_end' AS in_fleet,
    machine.site,
    machine.model,
    machine.build_year,
    machine.control,
    -- no fault is older than its machine
    COALESCE(
        weighed_case.first_tenths <= machine_hours.begin_tenths + LEAST($settling, machine_hours.begin_tenths)
        AND machine_hours.begin_tenths > 0,
        FALSE
    ) AS may_predate
FROM weighed_case
INNER JOIN machine ON machine.machine_id = weighed_case.machine_id
LEFT JOIN machine_hours ON machine_hours.machine_id = weighed_case.machine_id
ORDER BY case_id
