-- purpose: how often a side of the fleet begins to report, over all its running hours under observation.
-- grain: one row
-- inputs: case_file, exposed_machine, family_side
-- parameters: fault, sites, build_years, machines (lists; NULL = all)
-- output: cases, side_hours (running hours, every side counted)
SELECT
    (SELECT COUNT(*) FROM case_file WHERE fault = $fault) AS cases,
    (
        SELECT CAST(COALESCE(SUM(exposed_machine.hours - exposed_machine.entry), 0) AS DOUBLE) / 10
        FROM exposed_machine
        INNER JOIN family_side ON family_side.fault = $fault
    ) AS side_hours
