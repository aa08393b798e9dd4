-- purpose: hours that each machine ran in each calendar month, from its running-hours curve.
-- grain: one row a machine and calendar month in which it has readings over some time
-- inputs: running_hours
-- parameters: from_seconds (readings before are left out; seconds since 1970-01-01 UTC)
-- output: machine_id, month (months since 1970-01), hours, days (time they were run in: the whole month where the
--   neighbouring months have readings, else from the first or to the last reading)
WITH dated AS (
    SELECT
        machine_id,
        at_seconds,
        tenths,
        DATE_TRUNC('month', TIMESTAMP '1970-01-01 00:00:00' + at_seconds * INTERVAL 1 SECOND) AS month_begin
    FROM running_hours
    WHERE at_seconds >= $from_seconds
),
in_month AS (
    SELECT
        machine_id,
        CAST((EXTRACT(YEAR FROM month_begin) - 1970) * 12 + EXTRACT(MONTH FROM month_begin) - 1 AS BIGINT) AS month,
        CAST(EPOCH(month_begin) AS BIGINT) AS begin_seconds,
        CAST(EPOCH(month_begin + INTERVAL 1 MONTH) AS BIGINT) AS end_seconds,
        MIN(at_seconds) AS first_seconds,
        MIN(tenths) AS first_tenths,
        MAX(at_seconds) AS last_seconds,
        MAX(tenths) AS last_tenths
    FROM dated
    GROUP BY machine_id, month_begin
),
neighboured AS (
    SELECT
        *,
        LAG(month) OVER in_order AS month_before,
        LAG(last_seconds) OVER in_order AS before_seconds,
        LAG(last_tenths) OVER in_order AS before_tenths,
        LEAD(month) OVER in_order AS month_after,
        LEAD(first_seconds) OVER in_order AS after_seconds,
        LEAD(first_tenths) OVER in_order AS after_tenths
    FROM in_month
    WINDOW in_order AS (PARTITION BY machine_id ORDER BY month)
),
-- The curve at the turn of the month lies on the straight line between the readings around it.
bounded AS (
    SELECT
        machine_id,
        month,
        CASE WHEN month_before = month - 1 THEN begin_seconds ELSE first_seconds END AS from_seconds,
        CASE WHEN month_before = month - 1
            THEN before_tenths + CAST(first_tenths - before_tenths AS DOUBLE) * (begin_seconds - before_seconds)
                / (first_seconds - before_seconds)
            ELSE first_tenths
        END AS from_tenths,
        CASE WHEN month_after = month + 1 THEN end_seconds ELSE last_seconds END AS to_seconds,
        CASE WHEN month_after = month + 1
            THEN last_tenths + CAST(after_tenths - last_tenths AS DOUBLE) * (end_seconds - last_seconds)
                / (after_seconds - last_seconds)
            ELSE last_tenths
        END AS to_tenths
    FROM neighboured
)
SELECT
    machine_id,
    month,
    (to_tenths - from_tenths) / 10.0 AS hours,
    (to_seconds - from_seconds) / 86400.0 AS days
FROM bounded
WHERE to_seconds > from_seconds
ORDER BY machine_id, month
