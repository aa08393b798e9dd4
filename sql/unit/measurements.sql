-- purpose: what was measured on each machine.
-- grain: one row a measurement
-- inputs: measurements, clock
-- parameters: machines (list), as_of_end
-- output: machine_id, at, hours, side, quantity, value, unit
SELECT
    measurements.machine_id,
    measurements.measured_at AS "at",
    clock.tenths / 10.0 AS hours,
    COALESCE(measurements.side, '') AS side,
    measurements.quantity,
    measurements.value,
    measurements.unit
FROM measurements
LEFT JOIN clock ON clock.machine_id = measurements.machine_id AND clock.moment = measurements.measured_at
WHERE ARRAY_CONTAINS($machines, measurements.machine_id) AND measurements.measured_at < $as_of_end
ORDER BY measurements.machine_id, measurements.measured_at, measurements.side, measurements.quantity
