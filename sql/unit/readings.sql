-- purpose: every statement of one machine's running hours.
-- grain: one row a reading
-- inputs: reading_verdict
-- parameters: machine_id
-- output: at, hours, meter_hours, source, kept, reason
SELECT moment AS "at", tenths / 10.0 AS hours, meter_hours, source, kept, reason
FROM reading_verdict
WHERE machine_id = $machine_id
ORDER BY moment, reading_id
