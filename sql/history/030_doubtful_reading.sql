-- purpose: the readings among which the longest consistent chain must be looked for: those that contradict another.
--   A reading contradicts another when the hours fall from the earlier to the later, or gain more than the calendar
--   allows; both counted in whole hours, so that what a meter's rounding explains is no contradiction.
-- grain: one row a doubtful reading; readings of different blocks never contradict each other
-- inputs: reading
-- parameters: hours_a_day (most that a meter can gain in a calendar day)
-- output: block, reading_id, whole_hours, spare_hours (what the calendar allowed since 1970 less the hours run),
--   trust; a chain is consistent when neither whole_hours nor spare_hours ever falls
WITH whole AS (
    SELECT
        reading_id,
        machine_id,
        at_seconds,
        trust,
        CAST(FLOOR(tenths / 10.0) AS BIGINT) AS whole_hours,
        CAST(FLOOR(at_seconds * $hours_a_day / 86400.0) AS BIGINT) - CAST(FLOOR(tenths / 10.0) AS BIGINT) AS spare_hours
    FROM reading
    WHERE daily
),
neighbourhood AS (
    SELECT
        *,
        MAX(whole_hours) OVER before_it AS most_hours_before,
        MAX(spare_hours) OVER before_it AS most_spare_before,
        MIN(whole_hours) OVER after_it AS least_hours_after,
        MIN(spare_hours) OVER after_it AS least_spare_after
    FROM whole
    WINDOW
        before_it AS (
            PARTITION BY machine_id ORDER BY at_seconds, whole_hours, reading_id ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
        ),
        after_it AS (
            PARTITION BY machine_id ORDER BY at_seconds, whole_hours, reading_id ROWS BETWEEN 1 FOLLOWING AND UNBOUNDED FOLLOWING
        )
),
judged AS (
    SELECT
        *,
        CASE
            WHEN whole_hours >= COALESCE(most_hours_before, whole_hours)
                AND spare_hours >= COALESCE(most_spare_before, spare_hours)
                AND whole_hours <= COALESCE(least_hours_after, whole_hours)
                AND spare_hours <= COALESCE(least_spare_after, spare_hours)
            THEN 1 ELSE 0
        END AS sound
    FROM neighbourhood
),
blocked AS (
    SELECT
        *,
        SUM(sound) OVER (ORDER BY machine_id, at_seconds, whole_hours, reading_id ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW)
            AS sound_before
    FROM judged
)
SELECT
    CAST(DENSE_RANK() OVER (ORDER BY machine_id, sound_before) AS BIGINT) AS block,
    reading_id,
    whole_hours,
    spare_hours,
    trust
FROM blocked
WHERE sound = 0
ORDER BY machine_id, at_seconds, whole_hours, reading_id
