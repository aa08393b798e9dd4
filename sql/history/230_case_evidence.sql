-- purpose: what was observed about each case, in the words of the family's evidence tables.
-- grain: one row a case and piece of evidence
-- inputs: case_file, numbered_report, failure_mode, measurements, family_voltage, case_step, family_confirm, outcome,
--   family_window
-- parameters: as_of_end
-- output: fault, machine_id, side, case_no, evidence ('failure_mode', 'voltage', 'sides', the name of a step whose
--   result was seen, or 'held:' and the name of a cure that was followed), outcome, position (order in which it is
--   weighed), count, total (e.g. 12 of 14 codes), low, high (e.g. least and greatest voltage), tenths (running hours
--   a cure was followed)
WITH coded AS (
    SELECT
        case_file.fault,
        case_file.machine_id,
        case_file.side,
        case_file.case_no,
        failure_mode.mode_group,
        COUNT(*) AS count,
        MAX(numbered_report.moment) AS last_at
    FROM case_file
    INNER JOIN numbered_report
        ON numbered_report.fault = case_file.fault
        AND numbered_report.machine_id = case_file.machine_id
        AND numbered_report.side = case_file.side
        AND numbered_report.moment BETWEEN case_file.first_at AND case_file.last_at
    INNER JOIN failure_mode ON failure_mode.fmi = numbered_report.fmi
    GROUP BY case_file.fault, case_file.machine_id, case_file.side, case_file.case_no, failure_mode.mode_group
),
commonest_code AS (
    SELECT
        *,
        CAST(SUM(count) OVER (PARTITION BY fault, machine_id, side, case_no) AS BIGINT) AS total,
        ROW_NUMBER() OVER (
            PARTITION BY fault, machine_id, side, case_no ORDER BY count DESC, last_at DESC, mode_group
        ) AS commonness
    FROM coded
),
measured AS (
    SELECT
        case_file.fault,
        case_file.machine_id,
        case_file.side,
        case_file.case_no,
        COUNT(*) AS count,
        MIN(measurements.value) AS low,
        MAX(measurements.value) AS high
    FROM case_file
    INNER JOIN family_voltage ON family_voltage.fault = case_file.fault
    INNER JOIN measurements
        ON measurements.machine_id = case_file.machine_id
        AND measurements.quantity = family_voltage.quantity
        AND measurements.unit = family_voltage.unit
        AND (measurements.side = case_file.side OR measurements.side IS NULL)
        AND measurements.measured_at < $as_of_end
        AND measurements.measured_at >= case_file.first_at - INTERVAL 30 DAY
        AND (case_file.until IS NULL OR measurements.measured_at < case_file.until)
    GROUP BY case_file.fault, case_file.machine_id, case_file.side, case_file.case_no
),
step_seen AS (
    SELECT
        case_file.fault,
        case_file.machine_id,
        case_file.side,
        case_file.case_no,
        case_step.step,
        case_step.step_order,
        CASE
            WHEN family_confirm.cause IS NOT NULL OR case_step.result = 'failed' THEN 'failed'
            WHEN case_step.result = 'passed' OR case_step.finding = 'no_fault_found' THEN 'passed'
        END AS outcome,
        ROW_NUMBER() OVER (
            PARTITION BY case_file.fault, case_file.machine_id, case_file.side, case_file.case_no, case_step.step
            ORDER BY
                CASE WHEN family_confirm.cause IS NOT NULL OR case_step.result IS NOT NULL OR case_step.finding = 'no_fault_found' THEN 0 ELSE 1 END,
                case_step.moment DESC,
                case_step.work_order_id DESC,
                case_step.line_no DESC
        ) AS latest
    FROM case_file
    INNER JOIN case_step
        ON case_step.fault = case_file.fault
        AND case_step.machine_id = case_file.machine_id
        AND case_step.side = case_file.side
        AND case_step.moment >= case_file.first_at
        AND (case_file.until IS NULL OR case_step.moment < case_file.until)
    LEFT JOIN family_confirm
        ON family_confirm.fault = case_step.fault
        AND family_confirm.step = case_step.step
        AND family_confirm.finding = case_step.finding
),
followed AS (
    SELECT
        case_file.fault,
        case_file.machine_id,
        case_file.side,
        case_file.case_no,
        outcome.step,
        outcome.came_back,
        outcome.held_tenths,
        ROW_NUMBER() OVER (
            PARTITION BY case_file.fault, case_file.machine_id, case_file.side, case_file.case_no
            ORDER BY outcome.moment, outcome.work_order_id
        ) AS turn
    FROM case_file
    INNER JOIN outcome
        ON outcome.fault = case_file.fault
        AND outcome.machine_id = case_file.machine_id
        AND outcome.side = case_file.side
        AND outcome.moment >= case_file.first_at
        AND (case_file.until IS NULL OR outcome.moment < case_file.until)
    WHERE outcome.held_tenths > 0
)
SELECT
    fault, machine_id, side, case_no, 'failure_mode' AS evidence, mode_group AS outcome, 1 AS position,
    count, total, CAST(NULL AS DOUBLE) AS low, CAST(NULL AS DOUBLE) AS high, CAST(NULL AS BIGINT) AS tenths
FROM commonest_code
WHERE commonness = 1
UNION ALL
SELECT
    case_file.fault,
    case_file.machine_id,
    case_file.side,
    case_file.case_no,
    'sides',
    CASE WHEN COUNT(other_side.case_no) > 0 THEN 'both' ELSE 'one' END,
    2,
    NULL,
    NULL,
    NULL,
    NULL,
    NULL
FROM case_file
INNER JOIN family_window ON family_window.fault = case_file.fault
LEFT JOIN case_file AS other_side
    ON other_side.fault = case_file.fault
    AND other_side.machine_id = case_file.machine_id
    AND other_side.side <> case_file.side
    AND other_side.side <> ''
    AND ABS(EPOCH(other_side.first_at) - EPOCH(case_file.first_at)) < family_window.episode_days * 86400
WHERE case_file.side <> ''
GROUP BY case_file.fault, case_file.machine_id, case_file.side, case_file.case_no
UNION ALL
SELECT
    measured.fault,
    measured.machine_id,
    measured.side,
    measured.case_no,
    'voltage',
    CASE
        WHEN measured.low <= family_voltage.near_zero OR measured.high >= family_voltage.near_supply THEN 'near_zero_or_supply'
        WHEN measured.high - measured.low > family_voltage.wander THEN 'wanders'
        WHEN measured.low > family_voltage.target + family_voltage.tolerance
            OR measured.high < family_voltage.target - family_voltage.tolerance THEN 'steady_offset'
        ELSE 'normal'
    END,
    3,
    measured.count,
    measured.count,
    measured.low,
    measured.high,
    NULL
FROM measured
INNER JOIN family_voltage ON family_voltage.fault = measured.fault
UNION ALL
SELECT fault, machine_id, side, case_no, step, outcome, 10 + step_order, NULL, NULL, NULL, NULL, NULL
FROM step_seen
WHERE latest = 1 AND outcome IS NOT NULL
UNION ALL
SELECT
    fault, machine_id, side, case_no, 'held:' || step, CASE WHEN came_back THEN 'came_back' ELSE 'quiet' END,
    100 + turn, NULL, NULL, NULL, NULL, held_tenths
FROM followed
