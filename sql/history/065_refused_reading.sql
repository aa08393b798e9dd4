-- purpose: the statements of running hours that are not believed, and why.
-- grain: one row a refused statement
-- inputs: questionable_statement, bracket
-- parameters: hours_a_day
-- output: machine_id, moment, at_seconds, tenths, meter_hours, source, reason, before_seconds (the last believed statement
--   before it, null where there is none: those between the same two have the same)
WITH compared AS (
    SELECT
        questionable_statement.*,
        bracket.before_seconds,
        bracket.before_tenths,
        bracket.after_seconds,
        bracket.after_tenths,
        -- A day's work is what two statements of one day may differ by.
        CAST($hours_a_day * 10 AS BIGINT) AS slack
    FROM questionable_statement
    INNER JOIN bracket ON bracket.machine_id = questionable_statement.machine_id AND bracket.at_seconds = questionable_statement.at_seconds
),
judged AS (
    SELECT
        *,
        CASE
            WHEN tenths < before_tenths - CASE WHEN set_aside THEN 0 ELSE slack END
                THEN 'below an earlier reading'
            WHEN tenths > after_tenths + CASE WHEN set_aside THEN 0 ELSE slack END
                THEN 'above a later reading'
            WHEN tenths > before_tenths + slack + (at_seconds - before_seconds) * $hours_a_day * 10 / 86400.0
                THEN 'gained more than the calendar allows'
            WHEN tenths < after_tenths - slack - (after_seconds - at_seconds) * $hours_a_day * 10 / 86400.0
                THEN 'gained more than the calendar allows afterwards'
            WHEN set_aside
                THEN 'contradicts its neighbours'
            ELSE ''
        END AS reason
    FROM compared
)
SELECT machine_id, moment, at_seconds, tenths, meter_hours, source, reason, before_seconds
FROM judged
WHERE reason <> ''
