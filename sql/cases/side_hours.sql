-- purpose: how long the machines that can have a fault have run, to lay out the stretches from which signs are learnt.
-- grain: one row a machine and side
-- inputs: machine, machine_hours, family_machine, family_side
-- parameters: fault
-- output: machine_id, side, end_tenths
SELECT machine.machine_id, family_side.side, machine_hours.end_tenths
FROM machine
INNER JOIN family_machine
    ON family_machine.fault = $fault
    AND family_machine.machine_type = COALESCE(machine.machine_type, '')
    AND family_machine.control = COALESCE(machine.control, '')
INNER JOIN family_side ON family_side.fault = $fault
INNER JOIN machine_hours ON machine_hours.machine_id = machine.machine_id
