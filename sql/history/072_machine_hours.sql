-- purpose: running hours of each machine when its records begin and when they end.
-- grain: one row a machine whose running hours at the end of its records are known
-- inputs: machine, clock
-- output: machine_id, begin_tenths (NULL = not known), end_tenths, end_estimated (as estimated of clock)
SELECT
    machine.machine_id,
    begin_clock.tenths AS begin_tenths,
    end_clock.tenths AS end_tenths,
    end_clock.estimated AS end_estimated
FROM machine
INNER JOIN clock AS end_clock ON end_clock.machine_id = machine.machine_id AND end_clock.moment = machine.record_ends
LEFT JOIN clock AS begin_clock ON begin_clock.machine_id = machine.machine_id AND begin_clock.moment = machine.record_begins
