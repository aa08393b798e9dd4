-- purpose: how many machines left the fleet by their age, over the last years.
-- grain: one row a class of age
-- inputs: machine
-- parameters: as_of_end, years (how far back)
-- output: age_class (years since built: 0 = below 4, 1 = 4 to 7, 2 = 8 to 11, 3 = 12 and more), machine_years, disposed
WITH class AS (
    SELECT 0 AS age_class, 0 AS from_years, 4 AS to_years
    UNION ALL
    SELECT 1, 4, 8
    UNION ALL
    SELECT 2, 8, 12
    UNION ALL
    SELECT 3, 12, 200
),
stay AS (
    SELECT
        machine_id,
        CAST(built_earliest AS TIMESTAMP) AS built_at,
        GREATEST(record_begins, $as_of_end - $years * INTERVAL 1 YEAR) AS from_at,
        record_ends AS until_at,
        leaves
    FROM machine
    WHERE record_begins IS NOT NULL AND built_earliest IS NOT NULL
),
aged AS (
    SELECT
        class.age_class,
        stay.leaves,
        stay.until_at,
        GREATEST(stay.from_at, stay.built_at + class.from_years * INTERVAL 1 YEAR) AS from_at,
        LEAST(stay.until_at, stay.built_at + class.to_years * INTERVAL 1 YEAR) AS to_at
    FROM stay
    CROSS JOIN class
)
SELECT
    age_class,
    -- Decimal sums are exact, so the order of rows cannot show.
    CAST(SUM(CAST(EPOCH(to_at) - EPOCH(from_at) AS DECIMAL(28, 8))) AS DOUBLE) / (86400 * 365.25) AS machine_years,
    CAST(SUM(CASE WHEN leaves = 'disposed' AND to_at = until_at THEN 1 ELSE 0 END) AS BIGINT) AS disposed
FROM aged
WHERE to_at > from_at
GROUP BY age_class
ORDER BY age_class
