-- purpose: the readings of the machines that contradict themselves somewhere, in the measures in which the longest
--   consistent chain is looked for. A reading contradicts another when the hours fall from the earlier to the later, or
--   gain more than the calendar allows; both counted in whole hours, so that what a meter's rounding explains is none.
-- grain: one row a reading of an unsteady machine
-- inputs: reading, unsteady_machine
-- parameters: hours_a_day (most that a meter can gain in a calendar day)
-- materialised: nowhere; it is handed over to fleetlog.history.chains
-- output: machine_id, at_seconds, tenths, whole_hours, spare_hours (what the calendar allowed since 1970 less the hours
--   run), trust (a chain is consistent when neither whole_hours nor spare_hours ever falls)
SELECT
    reading.machine_id,
    reading.at_seconds,
    reading.tenths,
    CAST(FLOOR(reading.tenths / 10.0) AS BIGINT) AS whole_hours,
    CAST(FLOOR(reading.at_seconds * $hours_a_day / 86400.0) AS BIGINT) - CAST(FLOOR(reading.tenths / 10.0) AS BIGINT) AS spare_hours,
    reading.trust
FROM reading
INNER JOIN unsteady_machine ON unsteady_machine.machine_id = reading.machine_id
ORDER BY reading.machine_id, reading.at_seconds
