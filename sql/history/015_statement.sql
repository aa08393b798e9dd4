-- purpose: every statement of a machine's running hours, meter changes applied.
-- grain: one row a statement; two that say the same of one instant are two rows
-- inputs: machine, meter_readings, meter_changes, fault_codes, work_orders, measurements
-- materialised: as a view
-- output: machine_id, moment, at_seconds (since 1970-01-01 UTC), tenths (running hours since new, in tenths of an hour),
--   meter_hours (as it stood on the meter), source, trust (weight when two statements contradict each other)
WITH statement AS (
    SELECT machine_id, read_at AS moment, hours, COALESCE(source, 'reading') AS source FROM meter_readings
    UNION ALL
    SELECT machine_id, seen_at, hours, 'fault_code' FROM fault_codes WHERE hours IS NOT NULL
    UNION ALL
    SELECT machine_id, opened_at, hours, 'work_order' FROM work_orders
    WHERE hours IS NOT NULL AND COALESCE(status, '') <> 'cancelled'
    UNION ALL
    SELECT machine_id, measured_at, hours, 'measurement' FROM measurements WHERE hours IS NOT NULL
    UNION ALL
    SELECT machine_id, CAST(acquired_on AS TIMESTAMP), hours_at_acquisition, 'acquisition' FROM machine
    WHERE acquired_on IS NOT NULL AND hours_at_acquisition IS NOT NULL
    UNION ALL
    SELECT machine_id, CAST(disposed_on AS TIMESTAMP), hours_at_disposal, 'disposal' FROM machine
    WHERE disposed_on IS NOT NULL AND hours_at_disposal IS NOT NULL
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
),
total AS (
    SELECT
        statement.machine_id,
        statement.moment,
        statement.hours AS meter_hours,
        statement.source,
        statement.hours + COALESCE(carried.carried_hours, 0.0) AS hours
    FROM statement
    LEFT JOIN carried
        ON carried.machine_id = statement.machine_id
        AND carried.changed_at <= statement.moment
        AND (carried.next_change IS NULL OR statement.moment < carried.next_change)
    UNION ALL
    SELECT
        carried.machine_id,
        carried.changed_at,
        carried.old_meter_hours,
        'meter_change',
        carried.old_meter_hours + COALESCE(earlier.carried_hours, 0.0)
    FROM carried
    LEFT JOIN carried AS earlier
        ON earlier.machine_id = carried.machine_id AND earlier.next_change = carried.changed_at
)
SELECT
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
