-- purpose: every statement of each machine's running hours.
-- grain: one row a statement
-- inputs: statement, refused_reading
-- parameters: machines (list), as_of_end
-- output: machine_id, at, hours, meter_hours, source, kept, reason ('' when kept)
SELECT
    statement.machine_id,
    statement.moment AS "at",
    statement.tenths / 10.0 AS hours,
    statement.meter_hours,
    statement.source,
    MAX(refused_reading.reason) IS NULL AS kept,
    COALESCE(MAX(refused_reading.reason), '') AS reason
FROM statement
LEFT JOIN refused_reading
    ON refused_reading.machine_id = statement.machine_id
    AND refused_reading.moment = statement.moment
    AND refused_reading.meter_hours = statement.meter_hours
    AND refused_reading.source = statement.source
WHERE ARRAY_CONTAINS($machines, statement.machine_id) AND statement.moment < $as_of_end
-- The same said twice of one instant by one source is one statement.
GROUP BY statement.machine_id, statement.moment, statement.tenths, statement.meter_hours, statement.source
ORDER BY statement.machine_id, statement.moment, statement.tenths, statement.source, statement.meter_hours
