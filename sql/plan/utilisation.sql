-- purpose: how much of the time the machines of a site are out on rent, by calendar month.
-- grain: one row a site and calendar month
-- inputs: calendar_month (handed over: month since 1970-01, begin_at, end_at), machine, rentals
-- parameters: as_of_end
-- output: site ('' = not told), calendar_month (1 to 12), out_days, machine_days
WITH stay AS (
    SELECT
        machine.machine_id,
        COALESCE(machine.site, '') AS site,
        calendar_month.month,
        GREATEST(machine.record_begins, calendar_month.begin_at) AS from_at,
        LEAST(machine.record_ends, calendar_month.end_at) AS to_at
    FROM machine
    CROSS JOIN calendar_month
    WHERE machine.record_begins < calendar_month.end_at AND machine.record_ends > calendar_month.begin_at
),
out_time AS (
    SELECT
        stay.machine_id,
        stay.month,
        -- Decimal sums are exact, so the order of rows cannot show.
        CAST(SUM(CAST(EPOCH(LEAST(stay.to_at, COALESCE(rentals.in_at, $as_of_end)))
            - EPOCH(GREATEST(stay.from_at, rentals.out_at)) AS DECIMAL(28, 8))) AS DOUBLE) / 86400 AS days
    FROM stay
    INNER JOIN rentals
        ON rentals.machine_id = stay.machine_id
        AND rentals.out_at < stay.to_at
        AND COALESCE(rentals.in_at, $as_of_end) > stay.from_at
    WHERE rentals.out_at < $as_of_end
    GROUP BY stay.machine_id, stay.month
)
SELECT
    stay.site,
    CAST(stay.month % 12 + 1 AS BIGINT) AS calendar_month,
    CAST(SUM(CAST(COALESCE(out_time.days, 0.0) AS DECIMAL(28, 8))) AS DOUBLE) AS out_days,
    CAST(SUM(CAST(EPOCH(stay.to_at) - EPOCH(stay.from_at) AS DECIMAL(28, 8))) AS DOUBLE) / 86400 AS machine_days
FROM stay
LEFT JOIN out_time ON out_time.machine_id = stay.machine_id AND out_time.month = stay.month
GROUP BY stay.site, stay.month % 12 + 1
ORDER BY stay.site, calendar_month
