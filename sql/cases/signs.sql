-- purpose: what every side had lately shown, today and at the beginning of stretches that have gone by, and whether a case
--   came within them. A sign is looked for over the hours before its point, and after the side's last repair.
-- grain: one row a machine, side and point
-- inputs: watch_point, case_file, sided_report, fault_repair, family_window, family_voltage, measurements, clock, hold_sign,
--   fault_codes
-- parameters: fault, as_of_end, ahead, latest (as of watch_point), back (hours looked back over, in tenths), sites,
--   build_years, machines (lists; NULL = all)
-- output: machine_id, side, tenths, is_now, under_way (TRUE: a case was open or being followed), came (TRUE: one began
--   within the stretch), unsided (reports that told no side), readings, first_reading_at, low, high (measured
--   voltages; NULL = none), off (TRUE: the last is off its target, or they wander), words (texts that tell of the danger),
--   codes (of the machine, of whatever kind)
WITH span AS (
    SELECT case_file.machine_id, case_file.side, case_file.first_tenths, case_file.last_tenths, case_file.state,
        CAST(family_window.confirmation_hours * 10 AS BIGINT) AS window_tenths
    FROM case_file
    INNER JOIN family_window ON family_window.fault = case_file.fault
    WHERE case_file.fault = $fault
),
shown AS (
    SELECT
        watch_point.machine_id,
        watch_point.side,
        watch_point.tenths,
        watch_point.is_now,
        MAX(CASE
            WHEN watch_point.is_now AND span.state IN ('open', 'answered') THEN 1
            WHEN NOT watch_point.is_now AND span.first_tenths <= watch_point.tenths
                AND span.last_tenths > watch_point.tenths - span.window_tenths THEN 1
            ELSE 0
        END) AS under_way,
        MAX(CASE
            WHEN span.first_tenths > watch_point.tenths AND span.first_tenths <= watch_point.tenths + $ahead THEN 1
            ELSE 0
        END) AS came
    FROM watch_point
    INNER JOIN span ON span.machine_id = watch_point.machine_id AND span.side = watch_point.side
    GROUP BY watch_point.machine_id, watch_point.side, watch_point.tenths, watch_point.is_now
),
repaired AS (
    SELECT
        watch_point.machine_id,
        watch_point.side,
        watch_point.tenths,
        watch_point.is_now,
        GREATEST(COALESCE(MAX(fault_repair.tenths), 0), watch_point.tenths - $back) AS since
    FROM watch_point
    LEFT JOIN fault_repair
        ON fault_repair.machine_id = watch_point.machine_id
        AND fault_repair.side = watch_point.side
        AND fault_repair.tenths <= watch_point.tenths
    GROUP BY watch_point.machine_id, watch_point.side, watch_point.tenths, watch_point.is_now
),
untold AS (
    SELECT repaired.machine_id, repaired.side, repaired.tenths, repaired.is_now, COUNT(*) AS reports
    FROM repaired
    INNER JOIN sided_report
        ON sided_report.fault = $fault
        AND sided_report.machine_id = repaired.machine_id
        AND sided_report.side = ''
        AND sided_report.tenths > repaired.since
        AND sided_report.tenths <= repaired.tenths
    WHERE repaired.side <> ''
    GROUP BY repaired.machine_id, repaired.side, repaired.tenths, repaired.is_now
),
reading AS (
    SELECT
        measurements.machine_id,
        measurements.side,
        measurements.measured_at,
        measurements.value,
        clock.tenths,
        family_voltage.wander,
        CASE WHEN ABS(measurements.value - family_voltage.target) > family_voltage.tolerance THEN 1 ELSE 0 END AS off
    FROM family_voltage
    INNER JOIN measurements
        ON measurements.quantity = family_voltage.quantity AND measurements.unit = family_voltage.unit
    INNER JOIN clock ON clock.machine_id = measurements.machine_id AND clock.moment = measurements.measured_at
    WHERE family_voltage.fault = $fault AND measurements.measured_at < $as_of_end
),
near_reading AS (
    SELECT
        repaired.machine_id,
        repaired.side,
        repaired.tenths,
        repaired.is_now,
        reading.measured_at,
        reading.value,
        reading.wander,
        reading.off,
        ROW_NUMBER() OVER (
            PARTITION BY repaired.machine_id, repaired.side, repaired.tenths, repaired.is_now
            ORDER BY reading.measured_at DESC, reading.value
        ) AS latest
    FROM repaired
    INNER JOIN reading
        ON reading.machine_id = repaired.machine_id
        AND (reading.side = repaired.side OR reading.side IS NULL)
        AND reading.tenths > repaired.since
        AND reading.tenths <= repaired.tenths
),
measured AS (
    SELECT
        machine_id,
        side,
        tenths,
        is_now,
        COUNT(*) AS readings,
        MIN(measured_at) AS first_reading_at,
        MIN(value) AS low,
        MAX(value) AS high,
        MAX(value) - MIN(value) > MIN(wander) OR MAX(CASE WHEN latest = 1 THEN off END) = 1 AS off
    FROM near_reading
    GROUP BY machine_id, side, tenths, is_now
),
worded AS (
    SELECT repaired.machine_id, repaired.side, repaired.tenths, repaired.is_now, COUNT(*) AS words
    FROM repaired
    INNER JOIN hold_sign ON hold_sign.machine_id = repaired.machine_id
    INNER JOIN clock
        ON clock.machine_id = hold_sign.machine_id
        AND clock.moment = hold_sign.moment
        AND clock.tenths > repaired.since
        AND clock.tenths <= repaired.tenths
    GROUP BY repaired.machine_id, repaired.side, repaired.tenths, repaired.is_now
),
coded AS (
    SELECT watch_point.machine_id, watch_point.side, watch_point.tenths, watch_point.is_now, COUNT(*) AS codes
    FROM watch_point
    INNER JOIN fault_codes ON fault_codes.machine_id = watch_point.machine_id AND fault_codes.seen_at < $as_of_end
    INNER JOIN clock
        ON clock.machine_id = fault_codes.machine_id
        AND clock.moment = fault_codes.seen_at
        AND clock.tenths > watch_point.tenths - $back
        AND clock.tenths <= watch_point.tenths
    GROUP BY watch_point.machine_id, watch_point.side, watch_point.tenths, watch_point.is_now
)
SELECT
    repaired.machine_id,
    repaired.side,
    repaired.tenths,
    repaired.is_now,
    COALESCE(shown.under_way, 0) = 1 AS under_way,
    COALESCE(shown.came, 0) = 1 AS came,
    COALESCE(untold.reports, 0) AS unsided,
    COALESCE(measured.readings, 0) AS readings,
    measured.first_reading_at,
    measured.low,
    measured.high,
    COALESCE(measured.off, FALSE) AS off,
    COALESCE(worded.words, 0) AS words,
    COALESCE(coded.codes, 0) AS codes
FROM repaired
LEFT JOIN shown USING (machine_id, side, tenths, is_now)
LEFT JOIN untold USING (machine_id, side, tenths, is_now)
LEFT JOIN measured USING (machine_id, side, tenths, is_now)
LEFT JOIN worded USING (machine_id, side, tenths, is_now)
LEFT JOIN coded USING (machine_id, side, tenths, is_now)
ORDER BY repaired.is_now DESC, repaired.machine_id, repaired.side, repaired.tenths
