-- purpose: the lives of followed parts as far as they were observed, for fitting life distributions by machine.
-- grain: one row a machine, component, side and fitting that was observed over some time
-- inputs: spell
-- output: machine_id, component, variant, entry, hours (tenths of an hour; at risk on (entry, hours]), failed (0 or 1)
SELECT machine_id, component, variant, entry, hours, CAST(failed AS BIGINT) AS failed
FROM spell
WHERE entry < hours
ORDER BY component, variant, machine_id, side, fit
