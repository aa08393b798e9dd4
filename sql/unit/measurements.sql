-- purpose: what was measured on one machine.
-- grain: one row a measurement
-- inputs: measurements, clock
-- parameters: machine_id, as_of_end
-- output: at, hours, side, quantity, value, unit
SELECT
    measurements.measured_at AS "at",
    clock.tenths / 10.0 AS hours,
    COALESCE(measurements.side, '') AS side,
    measurements.quantity,
    measurements.value,
    measurements.unit
FROM measurements
LEFT JOIN clock ON clock.machine_id = measurements.machine_id AND clock.moment = measurements.measured_at
WHERE measurements.machine_id = $machine_id AND measurements.measured_at < $as_of_end
ORDER BY measurements.measured_at, measurements.side, measurements.quantity
