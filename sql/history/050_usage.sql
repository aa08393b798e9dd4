-- purpose: how fast a machine ran at the beginning and at the end of its readings, for hours outside of them.
-- grain: one row a machine with readings
-- inputs: running_hours
-- parameters: rate_days (length of the stretch the rate is taken from)
-- output: machine_id, first_seconds, first_tenths, last_seconds, last_tenths, early_tenths, early_seconds,
--   late_tenths, late_seconds (gain over the first and the last stretch; 0 where one reading is all there is)
WITH ends AS (
    SELECT
        machine_id,
        MIN(at_seconds) AS first_seconds,
        MAX(at_seconds) AS last_seconds,
        MIN(tenths) AS first_tenths,
        MAX(tenths) AS last_tenths
    FROM running_hours
    GROUP BY machine_id
),
-- The curve never falls, so the least hours after an instant are those of the first reading after it.
stretch AS (
    SELECT
        running_hours.machine_id,
        MIN(CASE WHEN at_seconds >= first_seconds + $rate_days * 86400 THEN at_seconds END) AS early_end,
        MIN(CASE WHEN at_seconds >= first_seconds + $rate_days * 86400 THEN tenths END) AS early_end_tenths,
        MAX(CASE WHEN at_seconds <= last_seconds - $rate_days * 86400 THEN at_seconds END) AS late_begin,
        MAX(CASE WHEN at_seconds <= last_seconds - $rate_days * 86400 THEN tenths END) AS late_begin_tenths
    FROM running_hours
    INNER JOIN ends ON ends.machine_id = running_hours.machine_id
    GROUP BY running_hours.machine_id
)
SELECT
    ends.machine_id,
    ends.first_seconds,
    ends.first_tenths,
    ends.last_seconds,
    ends.last_tenths,
    COALESCE(stretch.early_end_tenths, ends.last_tenths) - ends.first_tenths AS early_tenths,
    COALESCE(stretch.early_end, ends.last_seconds) - ends.first_seconds AS early_seconds,
    ends.last_tenths - COALESCE(stretch.late_begin_tenths, ends.first_tenths) AS late_tenths,
    ends.last_seconds - COALESCE(stretch.late_begin, ends.first_seconds) AS late_seconds
FROM ends
INNER JOIN stretch ON stretch.machine_id = ends.machine_id
