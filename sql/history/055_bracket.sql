-- purpose: the two readings of the running-hours curve around each instant that is asked about.
-- grain: one row a machine and second
-- inputs: instant, questionable_statement, running_hours
-- materialised: while building
-- output: machine_id, at_seconds, before_seconds, before_tenths (last reading up to it; NULL = none), after_seconds,
--   after_tenths (first reading beyond it; NULL = none)
WITH asked AS (
    SELECT machine_id, at_seconds FROM instant
    UNION
    SELECT machine_id, at_seconds FROM questionable_statement
),
-- Stretches of thirty days, so that an instant is compared with few readings only.
placed AS (
    SELECT machine_id, at_seconds, CAST(FLOOR(at_seconds / 2592000.0) AS BIGINT) AS stretch FROM asked
),
curve AS (
    SELECT machine_id, at_seconds, tenths, CAST(FLOOR(at_seconds / 2592000.0) AS BIGINT) AS stretch FROM running_hours
),
near AS (
    SELECT
        placed.machine_id,
        placed.at_seconds,
        MAX(CASE WHEN curve.at_seconds <= placed.at_seconds THEN curve.at_seconds END) AS before_seconds,
        MAX(CASE WHEN curve.at_seconds <= placed.at_seconds THEN curve.tenths END) AS before_tenths,
        MIN(CASE WHEN curve.at_seconds > placed.at_seconds THEN curve.at_seconds END) AS after_seconds,
        MIN(CASE WHEN curve.at_seconds > placed.at_seconds THEN curve.tenths END) AS after_tenths
    FROM placed
    INNER JOIN curve ON curve.machine_id = placed.machine_id AND curve.stretch = placed.stretch
    GROUP BY placed.machine_id, placed.at_seconds
),
line AS (
    SELECT DISTINCT
        machine_id,
        stretch,
        0 AS has_readings,
        CAST(NULL AS BIGINT) AS first_seconds,
        CAST(NULL AS BIGINT) AS first_tenths,
        CAST(NULL AS BIGINT) AS last_seconds,
        CAST(NULL AS BIGINT) AS last_tenths
    FROM placed
    UNION ALL
    SELECT machine_id, stretch, 1, MIN(at_seconds), MIN(tenths), MAX(at_seconds), MAX(tenths)
    FROM curve
    GROUP BY machine_id, stretch
),
far AS (
    SELECT
        machine_id,
        stretch,
        has_readings,
        MAX(last_seconds) OVER earlier AS before_seconds,
        MAX(last_tenths) OVER earlier AS before_tenths,
        MIN(first_seconds) OVER later AS after_seconds,
        MIN(first_tenths) OVER later AS after_tenths
    FROM line
    WINDOW
        earlier AS (PARTITION BY machine_id ORDER BY stretch, has_readings ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW),
        later AS (PARTITION BY machine_id ORDER BY stretch DESC, has_readings ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW)
)
SELECT
    placed.machine_id,
    placed.at_seconds,
    COALESCE(near.before_seconds, far.before_seconds) AS before_seconds,
    COALESCE(near.before_tenths, far.before_tenths) AS before_tenths,
    COALESCE(near.after_seconds, far.after_seconds) AS after_seconds,
    COALESCE(near.after_tenths, far.after_tenths) AS after_tenths
FROM placed
INNER JOIN far ON far.machine_id = placed.machine_id AND far.stretch = placed.stretch AND far.has_readings = 0
LEFT JOIN near ON near.machine_id = placed.machine_id AND near.at_seconds = placed.at_seconds
