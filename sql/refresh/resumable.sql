-- purpose: from which day on a touched machine's running hours can be taken up again, because nothing before it changed.
-- grain: one row a chosen machine of which that holds as far as the new rows tell
-- inputs: chosen_machine, dated_row, machines, work_orders, change_log, machine, running_hours, usage (these three as
--   materialised)
-- parameters: last_file (the last file that the materialised history has seen), previous_end (first instant beyond what
--   it was built for), rate_days (length of the stretch that an early rate is taken from)
-- output: machine_id, from_day (since 1970-01-01 UTC), from_seconds, from_tenths (of the last retained reading before
--   anything new), curve_end (seconds: end of the retained curve), early_end, late_begin (seconds: between them no reading
--   tells of the rates of use)
WITH new_record AS (
    SELECT machine_id, earliest AS moment FROM dated_row WHERE file_id > $last_file
    UNION ALL
    SELECT machines.machine_id, CAST(LEAST(machines.disposed_on, machine.disposed_on) AS TIMESTAMP)
    FROM machines
    INNER JOIN machine ON machine.machine_id = machines.machine_id
    WHERE machines.file_id > $last_file
    UNION ALL
    SELECT machine_id, $previous_end FROM chosen_machine
),
earliest AS (
    SELECT machine_id, FLOOR(EPOCH(MIN(moment)) / 86400.0) * 86400 AS at_seconds FROM new_record GROUP BY machine_id
),
-- What changed otherwise than by a new row, or moves every reading after it.
changed AS (
    SELECT machines.machine_id
    FROM machines
    LEFT JOIN machine ON machine.machine_id = machines.machine_id
    WHERE machine.machine_id IS NULL
        OR machines.acquired_on IS DISTINCT FROM machine.acquired_on
        OR machines.hours_at_acquisition IS DISTINCT FROM machine.hours_at_acquisition
        OR machines.site IS DISTINCT FROM machine.site
    UNION
    SELECT json_extract_string(old_row, '$.machine_id') FROM change_log WHERE new_file_id > $last_file AND kind <> 'machines'
    UNION
    SELECT json_extract_string(new_row, '$.machine_id') FROM change_log WHERE new_file_id > $last_file AND kind <> 'machines'
    UNION
    SELECT work_orders.machine_id
    FROM change_log
    INNER JOIN work_orders ON work_orders.work_order_id = json_extract_string(change_log.row_key, '$.work_order_id')
    WHERE change_log.new_file_id > $last_file
),
-- Usually the curve's end; where something reaches back before it, the curve is looked at.
last_retained AS (
    SELECT usage.machine_id, usage.last_seconds AS at_seconds, usage.last_tenths AS tenths
    FROM usage
    INNER JOIN earliest ON earliest.machine_id = usage.machine_id
    WHERE usage.last_seconds < earliest.at_seconds
    UNION ALL
    SELECT running_hours.machine_id, MAX(running_hours.at_seconds), MAX(running_hours.tenths) -- it never falls
    FROM running_hours
    INNER JOIN usage ON usage.machine_id = running_hours.machine_id
    INNER JOIN earliest ON earliest.machine_id = usage.machine_id AND usage.last_seconds >= earliest.at_seconds
    WHERE running_hours.at_seconds < earliest.at_seconds
    GROUP BY running_hours.machine_id
)
SELECT
    last_retained.machine_id,
    CAST(FLOOR(last_retained.at_seconds / 86400.0) AS BIGINT) AS from_day,
    last_retained.at_seconds AS from_seconds,
    last_retained.tenths AS from_tenths,
    usage.last_seconds AS curve_end,
    usage.first_seconds + usage.early_seconds AS early_end,
    -- The curve may come to end earlier than it did, but not before the reading resumed from.
    CASE WHEN usage.last_seconds = last_retained.at_seconds THEN usage.last_seconds - usage.late_seconds ELSE 0 END AS late_begin
FROM chosen_machine
INNER JOIN last_retained ON last_retained.machine_id = chosen_machine.machine_id
INNER JOIN usage ON usage.machine_id = chosen_machine.machine_id
LEFT JOIN changed ON changed.machine_id = chosen_machine.machine_id
WHERE changed.machine_id IS NULL
    AND usage.first_seconds + $rate_days * 86400 <= FLOOR(last_retained.at_seconds / 86400.0) * 86400
    -- Taking up again from long ago costs as much as building anew.
    AND last_retained.at_seconds >= EPOCH($previous_end) - 400 * 86400
ORDER BY last_retained.machine_id
