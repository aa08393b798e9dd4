-- purpose: the statements of running hours to be judged one by one: those of days whose reading was set aside, or on
--   which two of them differ. A statement that says the same as its whole day is believed if that day's is.
-- grain: one row a statement
-- inputs: statement, reading, set_aside_reading
-- parameters: as_of_end
-- materialised: while building
-- output: the columns of statement, set_aside (TRUE: it stood for its day, and was set aside)
WITH questionable_day AS (
    SELECT reading.machine_id, reading.day, reading.at_seconds, reading.tenths, set_aside_reading.machine_id IS NOT NULL AS set_aside
    FROM reading
    LEFT JOIN set_aside_reading
        ON set_aside_reading.machine_id = reading.machine_id AND set_aside_reading.at_seconds = reading.at_seconds
    WHERE reading.differ OR set_aside_reading.machine_id IS NOT NULL
)
SELECT
    statement.*,
    questionable_day.set_aside
        AND statement.at_seconds = questionable_day.at_seconds
        AND statement.tenths = questionable_day.tenths AS set_aside
FROM statement
INNER JOIN questionable_day
    ON questionable_day.machine_id = statement.machine_id
    AND questionable_day.day = CAST(FLOOR(statement.at_seconds / 86400.0) AS BIGINT)
WHERE statement.moment < $as_of_end
