-- purpose: running hours of a machine at every instant at which something happened to it.
-- grain: one row a machine and instant
-- inputs: machine, running_hours, usage, fault_codes, work_orders, work_lines, measurements, components
-- parameters: as_of_end
-- output: machine_id, moment, tenths (running hours since new, in tenths), estimated ('' between readings, 'before' or
--   'after' them, where the machine's own early or late rate is carried on)
WITH instant AS (
    SELECT machine_id, record_begins AS moment FROM machine
    UNION
    SELECT machine_id, record_ends FROM machine
    UNION
    SELECT machine_id, seen_at FROM fault_codes
    UNION
    SELECT machine_id, opened_at FROM work_orders
    UNION
    SELECT work_orders.machine_id, COALESCE(work_lines.done_at, work_orders.closed_at, work_orders.opened_at)
    FROM work_lines
    INNER JOIN work_orders ON work_orders.work_order_id = work_lines.work_order_id
    UNION
    SELECT machine_id, COALESCE(closed_at, opened_at) FROM work_orders
    UNION
    SELECT machine_id, measured_at FROM measurements
    UNION
    SELECT machine_id, CAST(fitted_on AS TIMESTAMP) FROM components
    UNION
    SELECT machine_id, CAST(removed_on AS TIMESTAMP) FROM components
),
timed AS (
    SELECT instant.machine_id, instant.moment, CAST(FLOOR(EPOCH(instant.moment)) AS BIGINT) AS at_seconds
    FROM instant
    INNER JOIN usage ON usage.machine_id = instant.machine_id
    WHERE instant.moment <= $as_of_end
),
-- Readings and instants in one line of time: the last reading passed gives the stretch an instant lies in.
line AS (
    SELECT machine_id, moment, at_seconds, CAST(NULL AS BIGINT) AS seq FROM timed
    UNION ALL
    SELECT machine_id, NULL, at_seconds, seq FROM running_hours
),
placed AS (
    SELECT
        machine_id,
        moment,
        at_seconds,
        seq,
        MAX(seq) OVER (
            PARTITION BY machine_id ORDER BY at_seconds, CASE WHEN seq IS NULL THEN 1 ELSE 0 END
            ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ) AS last_seq
    FROM line
)
SELECT
    placed.machine_id,
    placed.moment,
    CASE
        WHEN placed.last_seq IS NULL
            THEN GREATEST(
                0,
                usage.first_tenths - CASE
                    WHEN usage.early_seconds > 0
                        THEN CAST(ROUND(CAST(usage.early_tenths AS DOUBLE) * (usage.first_seconds - placed.at_seconds) / usage.early_seconds) AS BIGINT)
                    ELSE 0
                END
            )
        WHEN stretch.next_at_seconds IS NULL
            THEN usage.last_tenths + CASE
                WHEN usage.late_seconds > 0
                    THEN CAST(ROUND(CAST(usage.late_tenths AS DOUBLE) * (placed.at_seconds - usage.last_seconds) / usage.late_seconds) AS BIGINT)
                ELSE 0
            END
        ELSE stretch.tenths + CAST(
            FLOOR(
                CAST(stretch.next_tenths - stretch.tenths AS DOUBLE) * (placed.at_seconds - stretch.at_seconds)
                / (stretch.next_at_seconds - stretch.at_seconds)
            ) AS BIGINT
        )
    END AS tenths,
    CASE
        WHEN placed.last_seq IS NULL THEN 'before'
        WHEN stretch.next_at_seconds IS NULL AND placed.at_seconds > usage.last_seconds THEN 'after'
        ELSE ''
    END AS estimated
FROM placed
INNER JOIN usage ON usage.machine_id = placed.machine_id
LEFT JOIN running_hours AS stretch ON stretch.machine_id = placed.machine_id AND stretch.seq = placed.last_seq
WHERE placed.seq IS NULL
