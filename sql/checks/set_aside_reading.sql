-- purpose: readings of running hours that are not believed, and why.
-- grain: one row a reading
-- inputs: reading_verdict
-- unit: reading
-- output: machine_id, moment, meter_hours, source, reason
SELECT machine_id, moment, meter_hours, source, reason
FROM reading_verdict
WHERE NOT kept
ORDER BY machine_id, moment, source
