-- purpose: the pattern of each case's measured voltage. One reading nearer to zero or supply than to the target is more than
--   play or a setting can move it: the circuit or the sensor. What an adjustment moved is no wandering: readings are
--   compared between two repairs, and besides only those that stood off their target.
-- grain: one row a case with readings
-- inputs: weighed_case, measurements, family_voltage, fault_repair
-- parameters: fault, as_of_end
-- output: machine_id, side, case_no, outcome ('near_zero_or_supply', 'wanders', 'steady_offset', 'normal'), count, low,
--   high (least and greatest reading)
WITH reading AS (
    SELECT
        weighed_case.machine_id,
        weighed_case.side,
        weighed_case.case_no,
        measurements.measured_at AS moment,
        measurements.value,
        family_voltage.target,
        family_voltage.tolerance,
        family_voltage.near_zero,
        family_voltage.near_supply,
        family_voltage.wander
    FROM weighed_case
    INNER JOIN family_voltage ON family_voltage.fault = $fault
    INNER JOIN measurements
        ON measurements.machine_id = weighed_case.machine_id
        AND measurements.quantity = family_voltage.quantity
        AND measurements.unit = family_voltage.unit
        AND (measurements.side = weighed_case.side OR measurements.side IS NULL)
        AND measurements.measured_at < $as_of_end
        AND measurements.measured_at >= weighed_case.first_at - INTERVAL 30 DAY
        AND (weighed_case.after_at IS NULL OR measurements.measured_at > weighed_case.after_at)
        AND (weighed_case.until IS NULL OR measurements.measured_at < weighed_case.until)
),
repair AS (
    SELECT DISTINCT machine_id, side, moment FROM fault_repair
),
-- A reading at the very instant of a repair was taken before it.
placed AS (
    SELECT
        reading.machine_id,
        reading.side,
        reading.case_no,
        reading.moment,
        reading.value,
        reading.target,
        reading.tolerance,
        reading.near_zero,
        reading.near_supply,
        reading.wander,
        COUNT(repair.moment) AS repairs_before
    FROM reading
    LEFT JOIN repair
        ON repair.machine_id = reading.machine_id AND repair.side = reading.side AND repair.moment < reading.moment
    GROUP BY
        reading.machine_id,
        reading.side,
        reading.case_no,
        reading.moment,
        reading.value,
        reading.target,
        reading.tolerance,
        reading.near_zero,
        reading.near_supply,
        reading.wander
),
between_repairs AS (
    SELECT
        machine_id,
        side,
        case_no,
        repairs_before,
        ROW_NUMBER() OVER (PARTITION BY machine_id, side, case_no ORDER BY repairs_before) AS stretch,
        COUNT(*) AS count,
        MIN(value) AS low,
        MAX(value) AS high,
        MIN(CASE WHEN ABS(value - target) > tolerance THEN value END) AS off_low,
        MAX(CASE WHEN ABS(value - target) > tolerance THEN value END) AS off_high,
        MIN(target) AS target,
        MIN(tolerance) AS tolerance,
        MIN(near_zero) AS near_zero,
        MIN(near_supply) AS near_supply,
        MIN(wander) AS wander
    FROM placed
    GROUP BY machine_id, side, case_no, repairs_before
)
SELECT
    machine_id,
    side,
    case_no,
    CASE
        WHEN MIN(low) < (MIN(near_zero) + MIN(target)) / 2 OR MAX(high) > (MIN(near_supply) + MIN(target)) / 2 THEN 'near_zero_or_supply'
        WHEN MAX(high - low) > MIN(wander) OR MAX(off_high) - MIN(off_low) > MIN(wander) THEN 'wanders'
        WHEN MIN(CASE WHEN stretch = 1 THEN low END) > MIN(target) + MIN(tolerance)
            OR MIN(CASE WHEN stretch = 1 THEN high END) < MIN(target) - MIN(tolerance) THEN 'steady_offset'
        ELSE 'normal'
    END AS outcome,
    CAST(SUM(count) AS BIGINT) AS count,
    MIN(low) AS low,
    MAX(high) AS high
FROM between_repairs
GROUP BY machine_id, side, case_no
ORDER BY machine_id, side, case_no
