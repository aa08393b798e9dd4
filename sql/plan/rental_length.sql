-- purpose: how long rentals last.
-- grain: one row
-- inputs: rentals
-- parameters: as_of_end
-- output: rentals (ended), mean_days, mean_square_days
SELECT
    COUNT(*) AS rentals,
    -- Decimal sums are exact, so the order of rows cannot show.
    AVG(CAST((EPOCH(in_at) - EPOCH(out_at)) / 86400 AS DECIMAL(28, 8))) AS mean_days,
    AVG(CAST((EPOCH(in_at) - EPOCH(out_at)) / 86400 * (EPOCH(in_at) - EPOCH(out_at)) / 86400 AS DECIMAL(28, 8))) AS mean_square_days
FROM rentals
WHERE in_at < $as_of_end AND in_at > out_at
