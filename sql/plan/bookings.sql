-- purpose: rentals that keep a machine out after the as-of day.
-- grain: one row a rental
-- inputs: rentals
-- parameters: as_of_end, booked_ahead (TRUE: rentals that begin after the as-of day are known already)
-- output: machine_id, out_at, in_at (NULL = not known; for a machine that is out, its way back may be known only when
--   booked_ahead)
SELECT
    machine_id,
    out_at,
    CASE WHEN $booked_ahead OR in_at < $as_of_end THEN in_at END AS in_at
FROM rentals
WHERE (out_at < $as_of_end OR $booked_ahead) AND (in_at IS NULL OR in_at > $as_of_end)
ORDER BY machine_id, out_at
