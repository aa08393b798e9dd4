-- purpose: the machines that can have a fault, with the stretch of running hours over which it would be on record.
-- grain: one row a machine observed over some time
-- inputs: scoped_machine, family_machine, machine_hours
-- parameters: fault, sites, build_years, machines (lists; NULL = all)
-- output: the columns of machine, entry, hours (running hours of the machine, in tenths, at the beginning and end of its
--   records)
SELECT scoped_machine.*, machine_hours.begin_tenths AS entry, machine_hours.end_tenths AS hours
FROM scoped_machine
INNER JOIN family_machine
    ON family_machine.fault = $fault
    AND family_machine.machine_type = COALESCE(scoped_machine.machine_type, '')
    AND family_machine.control = COALESCE(scoped_machine.control, '')
INNER JOIN machine_hours ON machine_hours.machine_id = scoped_machine.machine_id
WHERE machine_hours.begin_tenths < machine_hours.end_tenths
