-- purpose: of the machines whose running hours were to be taken up again, those whose readings since then throw doubt on
--   what was decided before.
-- grain: one row a machine
-- inputs: resumed, reading, unsteady_machine (both since the day of resuming), running_hours, set_aside_reading (as kept)
-- parameters: hours_a_day
-- output: machine_id
-- The reading resumed from stands above all kept ones before it. A reading set aside before it stays so when it lies
-- below that reading in hours and in spare hours, or contradicts every new one: no chain through it gains anything then.
WITH whole AS (
    SELECT
        machine_id,
        day,
        CAST(FLOOR(tenths / 10.0) AS BIGINT) AS whole_hours,
        CAST(FLOOR(at_seconds * $hours_a_day / 86400.0) AS BIGINT) - CAST(FLOOR(tenths / 10.0) AS BIGINT) AS spare_hours
    FROM reading
),
since AS (
    SELECT
        resumed.machine_id,
        resumed.from_day,
        COUNT(whole.day) AS readings,
        MIN(whole.day) AS first_day,
        MIN(whole.whole_hours) AS first_whole,
        MIN(whole.spare_hours) AS first_spare,
        MAX(whole.whole_hours) AS last_whole,
        MAX(whole.spare_hours) AS last_spare
    FROM resumed
    LEFT JOIN whole ON whole.machine_id = resumed.machine_id
    GROUP BY resumed.machine_id, resumed.from_day
),
kept AS (
    SELECT running_hours.machine_id, COUNT(*) AS readings
    FROM running_hours
    INNER JOIN resumed ON resumed.machine_id = running_hours.machine_id
    WHERE running_hours.at_seconds >= resumed.from_day * 86400
    GROUP BY running_hours.machine_id
),
standing_out AS (
    SELECT
        since.machine_id,
        since.readings,
        MAX(CASE
            WHEN set_aside_reading.at_seconds >= since.from_day * 86400 THEN 1
            WHEN set_aside_reading.whole_hours <= since.last_whole AND set_aside_reading.spare_hours <= since.last_spare THEN 1
            ELSE 0
        END) AS overtaken
    FROM since
    INNER JOIN set_aside_reading ON set_aside_reading.machine_id = since.machine_id
    WHERE set_aside_reading.at_seconds >= since.from_day * 86400
        OR set_aside_reading.whole_hours > since.first_whole
        OR set_aside_reading.spare_hours > since.first_spare
    GROUP BY since.machine_id, since.readings
)
SELECT machine_id FROM unsteady_machine
UNION
SELECT machine_id FROM since WHERE first_day IS NULL OR first_day <> from_day
UNION
SELECT standing_out.machine_id
FROM standing_out
LEFT JOIN kept ON kept.machine_id = standing_out.machine_id
-- Fewer readings than before would let another chain win.
WHERE standing_out.overtaken = 1 OR standing_out.readings <= COALESCE(kept.readings, 0)
