-- purpose: what a day of each machine brought in over the year before.
-- grain: one row a machine rented out in that year at a known rate
-- inputs: rentals, machine
-- parameters: as_of_end
-- output: machine_id, day_rate (mean over its rentals, rounded, in the fleet's currency)
SELECT
    rentals.machine_id,
    -- Decimal sums are exact, so the order of rows cannot show.
    ROUND(AVG(CAST(rentals.day_rate AS DECIMAL(28, 8))), 2) AS day_rate
FROM rentals
INNER JOIN machine ON machine.machine_id = rentals.machine_id
WHERE rentals.day_rate IS NOT NULL AND rentals.out_at < $as_of_end AND rentals.out_at >= $as_of_end - INTERVAL 365 DAY
GROUP BY rentals.machine_id
ORDER BY rentals.machine_id
