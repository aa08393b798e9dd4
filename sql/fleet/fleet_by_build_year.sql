-- purpose: the fleet by build year.
-- grain: one row a build year (NULL = not known)
-- inputs: machine, machine_hours
-- parameters: as_of_end
-- output: build_year, machines (not disposed of), electronic (of them with electronic joystick drive), running_hours
--   (mean of the machines at work)
SELECT
    machine.build_year,
    COUNT(*) AS machines,
    CAST(SUM(CASE WHEN machine.control = 'electronic_joystick' THEN 1 ELSE 0 END) AS BIGINT) AS electronic,
    AVG(machine_hours.end_tenths) / 10.0 AS running_hours
FROM machine
LEFT JOIN machine_hours ON machine_hours.machine_id = machine.machine_id
WHERE machine.disposed_on IS NULL AND (machine.acquired_on IS NULL OR machine.acquired_on < $as_of_end)
GROUP BY machine.build_year
ORDER BY machine.build_year
