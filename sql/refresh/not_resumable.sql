-- purpose: of the machines whose running hours were to be taken up again, those whose readings since then throw doubt on
--   what was decided before.
-- grain: one row a machine
-- inputs: resumed, reading, set_aside_reading (both since the reading of resuming on), contradicting_reading,
--   running_hours (as materialised)
-- parameters: hours_a_day
-- output: machine_id
WITH chain AS (
    -- The best chain of all readings is the retained one up to the reading resumed from, and goes on as the best chain from
    -- there, where
    -- 1. that reading lies on the best chain of those since: one that leaves it out can begin with no heavier part of the
    --   earlier readings than the retained chain, as they all lie below it;
    -- 2. no chain by way of an earlier contradicting reading gains enough: with the retained readings above that one it was
    --   no heavier than the retained chain, and now it goes on at most with all readings above it.
    SELECT reading.machine_id, COUNT(*) AS readings, MIN(reading.at_seconds) AS first_seconds
    FROM reading
    LEFT JOIN set_aside_reading
        ON set_aside_reading.machine_id = reading.machine_id AND set_aside_reading.at_seconds = reading.at_seconds
    WHERE set_aside_reading.machine_id IS NULL
    GROUP BY reading.machine_id
),
above AS (
    SELECT other.machine_id, other.whole_hours, other.spare_hours, COUNT(reading.day) AS readings
    FROM contradicting_reading AS other
    LEFT JOIN reading
        ON reading.machine_id = other.machine_id
        AND FLOOR(reading.tenths / 10.0) >= other.whole_hours
        AND FLOOR(reading.at_seconds * $hours_a_day / 86400.0) - FLOOR(reading.tenths / 10.0) >= other.spare_hours
    GROUP BY other.machine_id, other.whole_hours, other.spare_hours
),
retained AS (
    SELECT machine_id, from_seconds AS at_seconds, from_tenths AS tenths FROM resumed
    UNION ALL
    SELECT running_hours.machine_id, running_hours.at_seconds, running_hours.tenths
    FROM running_hours
    INNER JOIN resumed ON resumed.machine_id = running_hours.machine_id AND resumed.curve_end > resumed.from_seconds
    WHERE running_hours.at_seconds > resumed.from_seconds
),
retained_elsewhere AS (
    SELECT other.machine_id, other.whole_hours, other.spare_hours, COUNT(*) AS readings
    FROM contradicting_reading AS other
    INNER JOIN retained
        ON retained.machine_id = other.machine_id
        AND NOT (
            FLOOR(retained.tenths / 10.0) >= other.whole_hours
            AND FLOOR(retained.at_seconds * $hours_a_day / 86400.0) - FLOOR(retained.tenths / 10.0) >= other.spare_hours
        )
    GROUP BY other.machine_id, other.whole_hours, other.spare_hours
)
SELECT resumed.machine_id
FROM resumed
LEFT JOIN chain ON chain.machine_id = resumed.machine_id
WHERE chain.machine_id IS NULL OR chain.first_seconds <> resumed.from_seconds
UNION
SELECT above.machine_id
FROM above
INNER JOIN chain ON chain.machine_id = above.machine_id
INNER JOIN retained_elsewhere
    ON retained_elsewhere.machine_id = above.machine_id
    AND retained_elsewhere.whole_hours = above.whole_hours
    AND retained_elsewhere.spare_hours = above.spare_hours
WHERE chain.readings <= retained_elsewhere.readings + above.readings
