-- purpose: readings of running hours that are not believed, and why.
-- grain: one row a reading
-- inputs: refused_reading
-- unit: reading
-- output: machine_id, moment, meter_hours, source, reason
SELECT machine_id, moment, meter_hours, source, reason
FROM refused_reading
ORDER BY machine_id, moment, source, meter_hours
