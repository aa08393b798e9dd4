-- purpose: the statement of running hours that stands for a machine's day: the most trusted one, of those the latest.
--   The running-hours curve rests on these.
-- grain: one row a machine and day (UTC) with a statement
-- inputs: machine, statement
-- parameters: as_of_end
-- materialised: while building
-- output: machine_id, day (since 1970-01-01), at_seconds, tenths, trust, statements (of that day), differ (TRUE: they are
--   not all of the same running hours)
WITH dated AS (
    SELECT machine_id, CAST(FLOOR(at_seconds / 86400.0) AS BIGINT) AS day, at_seconds, tenths, trust
    FROM statement
    WHERE moment < $as_of_end
),
-- One number ranks a day's statements: trust, then second of the day, then hours; 2^33 tenths are more than any meter
-- counts, and the whole stays below 2^53.
standing AS (
    SELECT
        machine_id,
        day,
        MAX((trust * 86400 + at_seconds - day * 86400) * 8589934592 + GREATEST(tenths, 0)) AS ranked,
        COUNT(*) AS statements,
        MIN(tenths) < MAX(tenths) AS differ
    FROM dated
    GROUP BY machine_id, day
),
unpacked AS (
    SELECT *, CAST(FLOOR(ranked / 8589934592.0) AS BIGINT) AS trust_and_second FROM standing
)
SELECT
    unpacked.machine_id,
    unpacked.day,
    unpacked.day * 86400 + MOD(unpacked.trust_and_second, 86400) AS at_seconds,
    unpacked.ranked - unpacked.trust_and_second * 8589934592 AS tenths,
    CAST(FLOOR(unpacked.trust_and_second / 86400.0) AS BIGINT) AS trust,
    unpacked.statements,
    unpacked.differ
FROM unpacked
INNER JOIN machine ON machine.machine_id = unpacked.machine_id
ORDER BY unpacked.machine_id, unpacked.day
