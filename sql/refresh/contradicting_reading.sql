-- purpose: the readings set aside earlier that do not lie below the reading resumed from, in hours or in spare hours:
--   through them a chain could pass it by.
-- grain: one row a reading
-- inputs: resumed, set_aside_reading (as materialised)
-- parameters: hours_a_day
-- output: machine_id, whole_hours, spare_hours
SELECT set_aside_reading.machine_id, set_aside_reading.whole_hours, set_aside_reading.spare_hours
FROM set_aside_reading
INNER JOIN resumed ON resumed.machine_id = set_aside_reading.machine_id
WHERE set_aside_reading.at_seconds < resumed.from_seconds
    AND (
        set_aside_reading.whole_hours > FLOOR(resumed.from_tenths / 10.0)
        OR set_aside_reading.spare_hours > FLOOR(resumed.from_seconds * $hours_a_day / 86400.0) - FLOOR(resumed.from_tenths / 10.0)
    )
