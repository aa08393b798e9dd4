-- purpose: running hours of a machine at every instant at which something happened to it.
-- grain: one row a machine and instant
-- inputs: instant, bracket, usage
-- output: machine_id, moment, tenths (running hours since new, in tenths), estimated ('' between readings, 'before' or
--   'after' them, where the machine's own early or late rate is carried on)
SELECT
    instant.machine_id,
    instant.moment,
    CASE
        WHEN bracket.before_seconds IS NULL
            THEN GREATEST(
                0,
                usage.first_tenths - CASE
                    WHEN usage.early_seconds > 0
                        THEN CAST(ROUND(CAST(usage.early_tenths AS DOUBLE) * (usage.first_seconds - instant.at_seconds) / usage.early_seconds) AS BIGINT)
                    ELSE 0
                END
            )
        WHEN bracket.after_seconds IS NULL
            THEN usage.last_tenths + CASE
                WHEN usage.late_seconds > 0
                    THEN CAST(ROUND(CAST(usage.late_tenths AS DOUBLE) * (instant.at_seconds - usage.last_seconds) / usage.late_seconds) AS BIGINT)
                ELSE 0
            END
        ELSE bracket.before_tenths + CAST(
            FLOOR(
                CAST(bracket.after_tenths - bracket.before_tenths AS DOUBLE) * (instant.at_seconds - bracket.before_seconds)
                / (bracket.after_seconds - bracket.before_seconds)
            ) AS BIGINT
        )
    END AS tenths,
    CASE
        WHEN bracket.before_seconds IS NULL THEN 'before'
        WHEN bracket.after_seconds IS NULL AND instant.at_seconds > usage.last_seconds THEN 'after'
        ELSE ''
    END AS estimated
FROM instant
INNER JOIN usage ON usage.machine_id = instant.machine_id
INNER JOIN bracket ON bracket.machine_id = instant.machine_id AND bracket.at_seconds = instant.at_seconds
