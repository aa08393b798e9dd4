-- purpose: what the machine list says of each machine, and its running hours.
-- grain: one row a machine
-- inputs: machine, machine_hours
-- parameters: machines (list)
-- output: machine_id, pin, serial_number, make, model, machine_type, control, site, build_date, build_year, acquired_on, disposed_on, record_begins, record_ends, running_hours, hours_estimated (TRUE: beyond the last reading)
SELECT
    machine.machine_id,
    machine.pin,
    machine.serial_number,
    machine.make,
    machine.model,
    machine.machine_type,
    machine.control,
    machine.site,
    machine.build_date,
    machine.build_year,
    machine.acquired_on,
    machine.disposed_on,
    machine.record_begins,
    machine.record_ends,
    machine_hours.end_tenths / 10.0 AS running_hours,
    machine_hours.end_estimated = 'after' AS hours_estimated
FROM machine
LEFT JOIN machine_hours ON machine_hours.machine_id = machine.machine_id
WHERE ARRAY_CONTAINS($machines, machine.machine_id)
ORDER BY machine.machine_id
