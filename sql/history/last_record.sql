-- purpose: when the last thing on record happened.
-- grain: one row
-- inputs: meter_readings, fault_codes, work_orders, measurements
-- output: first_at, last_at (UTC; NULL = nothing on record)
SELECT MIN(moment) AS first_at, MAX(moment) AS last_at
FROM (
    SELECT read_at AS moment FROM meter_readings
    UNION ALL
    SELECT seen_at FROM fault_codes
    UNION ALL
    SELECT opened_at FROM work_orders
    UNION ALL
    SELECT measured_at FROM measurements
) AS record
