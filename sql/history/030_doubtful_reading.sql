-- purpose: the readings among which the longest consistent chain must be looked for: those that contradict another.
--   A reading contradicts another when the hours fall from the earlier to the later, or gain more than the calendar
--   allows; both counted in whole hours, so that what a meter's rounding explains is no contradiction.
-- grain: one row a doubtful reading; readings of different blocks never contradict each other
-- inputs: reading, unsteady_machine
-- parameters: hours_a_day (most that a meter can gain in a calendar day)
-- held: while building
-- output: machine_id, block (within the machine), at_seconds, whole_hours, spare_hours (what the calendar allowed since
--   1970 less the hours run), trust; a chain is consistent when neither whole_hours nor spare_hours ever falls
WITH whole AS (
    SELECT
        reading.machine_id,
        reading.at_seconds,
        reading.trust,
        CAST(FLOOR(reading.tenths / 10.0) AS BIGINT) AS whole_hours,
        CAST(FLOOR(reading.at_seconds * $hours_a_day / 86400.0) AS BIGINT) - CAST(FLOOR(reading.tenths / 10.0) AS BIGINT)
            AS spare_hours
    FROM reading
    INNER JOIN unsteady_machine ON unsteady_machine.machine_id = reading.machine_id
),
neighbourhood AS (
    SELECT
        *,
        MAX(whole_hours) OVER up_to_it AS most_hours_before,
        MAX(spare_hours) OVER up_to_it AS most_spare_before,
        MIN(whole_hours) OVER from_it_on AS least_hours_after,
        MIN(spare_hours) OVER from_it_on AS least_spare_after
    FROM whole
    WINDOW
        up_to_it AS (PARTITION BY machine_id ORDER BY at_seconds ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW),
        from_it_on AS (PARTITION BY machine_id ORDER BY at_seconds ROWS BETWEEN CURRENT ROW AND UNBOUNDED FOLLOWING)
),
judged AS (
    SELECT
        *,
        CASE
            WHEN whole_hours >= most_hours_before AND spare_hours >= most_spare_before
                AND whole_hours <= least_hours_after AND spare_hours <= least_spare_after
            THEN 1 ELSE 0
        END AS sound
    FROM neighbourhood
),
blocked AS (
    SELECT
        *,
        SUM(sound) OVER (PARTITION BY machine_id ORDER BY at_seconds ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW)
            AS sound_before
    FROM judged
)
SELECT machine_id, CAST(sound_before AS BIGINT) AS block, at_seconds, whole_hours, spare_hours, trust
FROM blocked
WHERE sound = 0
ORDER BY machine_id, at_seconds
