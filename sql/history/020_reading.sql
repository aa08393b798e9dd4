-- purpose: every statement of a machine's running hours, meter changes applied.
-- grain: one row a machine, instant, value and source of the statement
-- inputs: machine, meter_readings, meter_changes, fault_codes, work_orders, measurements
-- parameters: as_of_end
-- output: reading_id (running number in a fixed order), machine_id, moment, at_seconds (since 1970-01-01 UTC), tenths
--   (running hours since new, in tenths of an hour), meter_hours (as it stood on the meter), source, trust (weight
--   when two statements contradict each other), daily (TRUE: the statement that stands for its day, the most trusted
--   and latest one; the curve rests on these)
WITH statement AS (
    SELECT machine_id, read_at AS moment, hours, COALESCE(source, 'reading') AS source FROM meter_readings
    UNION ALL
    SELECT machine_id, seen_at, hours, 'fault_code' FROM fault_codes
    UNION ALL
    SELECT machine_id, opened_at, hours, 'work_order' FROM work_orders WHERE COALESCE(status, '') <> 'cancelled'
    UNION ALL
    SELECT machine_id, measured_at, hours, 'measurement' FROM measurements
    UNION ALL
    SELECT machine_id, CAST(acquired_on AS TIMESTAMP), hours_at_acquisition, 'acquisition' FROM machine
    UNION ALL
    SELECT machine_id, CAST(disposed_on AS TIMESTAMP), hours_at_disposal, 'disposal' FROM machine
),
known AS (
    SELECT DISTINCT statement.machine_id, statement.moment, statement.hours AS meter_hours, statement.source
    FROM statement
    INNER JOIN machine ON machine.machine_id = statement.machine_id
    WHERE statement.hours IS NOT NULL AND statement.moment < $as_of_end
),
-- What the old meters had counted beyond the new one when it began.
carried AS (
    SELECT
        machine_id,
        changed_at,
        old_meter_hours,
        SUM(old_meter_hours - new_meter_hours) OVER (
            PARTITION BY machine_id ORDER BY changed_at ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ) AS carried_hours,
        LEAD(changed_at) OVER (PARTITION BY machine_id ORDER BY changed_at) AS next_change
    FROM meter_changes
    WHERE changed_at < $as_of_end
),
total AS (
    SELECT
        known.machine_id,
        known.moment,
        known.meter_hours,
        known.source,
        known.meter_hours + COALESCE(carried.carried_hours, 0.0) AS hours
    FROM known
    LEFT JOIN carried
        ON carried.machine_id = known.machine_id
        AND carried.changed_at <= known.moment
        AND (carried.next_change IS NULL OR known.moment < carried.next_change)
    UNION ALL
    SELECT
        carried.machine_id,
        carried.changed_at,
        carried.old_meter_hours,
        'meter_change',
        carried.old_meter_hours + COALESCE(earlier.carried_hours, 0.0)
    FROM carried
    INNER JOIN machine ON machine.machine_id = carried.machine_id
    LEFT JOIN carried AS earlier
        ON earlier.machine_id = carried.machine_id AND earlier.next_change = carried.changed_at
),
weighed AS (
    SELECT
        ROW_NUMBER() OVER (ORDER BY machine_id, moment, hours, source, meter_hours) AS reading_id,
        machine_id,
        moment,
        CAST(FLOOR(EPOCH(moment)) AS BIGINT) AS at_seconds,
        CAST(ROUND(hours * 10.0) AS BIGINT) AS tenths,
        meter_hours,
        source,
        CASE source
            WHEN 'telematics' THEN 4
            WHEN 'meter_change' THEN 4
            WHEN 'inspection' THEN 3
            WHEN 'acquisition' THEN 3
            WHEN 'disposal' THEN 3
            WHEN 'manual' THEN 1
            ELSE 2
        END AS trust
    FROM total
)
SELECT
    reading_id,
    machine_id,
    moment,
    at_seconds,
    tenths,
    meter_hours,
    source,
    trust,
    ROW_NUMBER() OVER (
        PARTITION BY machine_id, FLOOR(at_seconds / 86400.0) ORDER BY trust DESC, at_seconds DESC, tenths DESC, reading_id
    ) = 1 AS daily
FROM weighed
