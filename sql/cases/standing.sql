-- purpose: the followed parts in place today on every side that has no case under way, and what it lately showed.
-- grain: one row a machine still watched, side and followed component
-- inputs: scoped_machine, machine_hours, family_machine, family_side, family_part, part_fit, case_file, episode,
--   measurements, family_voltage, fault_repair
-- parameters: fault, as_of_end, sites, build_years, machines (lists; NULL = all)
-- output: machine_id, side, component, variant ('' = not known), age_tenths, machine_tenths, site, model, build_year,
--   under_way (TRUE: a case is open or being followed), recent_episodes, earlier_episodes (begun in the last 365 days,
--   and in the 365 before), readings, first_reading_at, low, high (measured voltages of the
--   last 365 days since the last repair; NULL = none)
WITH standing AS (
    SELECT
        scoped_machine.machine_id,
        family_side.side,
        machine_hours.end_tenths AS tenths,
        scoped_machine.site,
        scoped_machine.model,
        scoped_machine.build_year
    FROM scoped_machine
    INNER JOIN family_machine
        ON family_machine.fault = $fault
        AND family_machine.machine_type = COALESCE(scoped_machine.machine_type, '')
        AND family_machine.control = COALESCE(scoped_machine.control, '')
    INNER JOIN family_side ON family_side.fault = $fault
    INNER JOIN machine_hours ON machine_hours.machine_id = scoped_machine.machine_id
    WHERE scoped_machine.leaves = 'records_end' AND scoped_machine.record_ends >= $as_of_end
),
fitted AS (
    SELECT
        part_fit.machine_id,
        part_fit.side,
        part_fit.component,
        COALESCE(part_fit.variant, '') AS variant,
        part_fit.tenths,
        ROW_NUMBER() OVER (
            PARTITION BY part_fit.machine_id, part_fit.side, part_fit.component ORDER BY part_fit.moment DESC
        ) AS latest
    FROM part_fit
    INNER JOIN family_part
        ON family_part.fault = $fault AND family_part.component = part_fit.component AND family_part.side = part_fit.side
    WHERE part_fit.moment < $as_of_end
),
under_way AS (
    SELECT DISTINCT machine_id, side FROM case_file WHERE fault = $fault AND state IN ('open', 'answered')
),
counted AS (
    SELECT
        machine_id,
        side,
        SUM(CASE WHEN first_at >= $as_of_end - INTERVAL 365 DAY THEN 1 ELSE 0 END) AS recent_episodes,
        SUM(CASE WHEN first_at < $as_of_end - INTERVAL 365 DAY AND first_at >= $as_of_end - INTERVAL 730 DAY THEN 1 ELSE 0 END)
            AS earlier_episodes
    FROM episode
    WHERE fault = $fault
    GROUP BY machine_id, side
),
last_repair AS (
    SELECT machine_id, side, MAX(moment) AS moment FROM fault_repair GROUP BY machine_id, side
),
measured AS (
    SELECT
        standing.machine_id,
        standing.side,
        COUNT(*) AS readings,
        MIN(measurements.measured_at) AS first_reading_at,
        MIN(measurements.value) AS low,
        MAX(measurements.value) AS high
    FROM standing
    INNER JOIN family_voltage ON family_voltage.fault = $fault
    INNER JOIN measurements
        ON measurements.machine_id = standing.machine_id
        AND measurements.quantity = family_voltage.quantity
        AND measurements.unit = family_voltage.unit
        AND (measurements.side = standing.side OR measurements.side IS NULL)
        AND measurements.measured_at < $as_of_end
        AND measurements.measured_at >= $as_of_end - INTERVAL 365 DAY
    LEFT JOIN last_repair ON last_repair.machine_id = standing.machine_id AND last_repair.side = standing.side
    WHERE last_repair.moment IS NULL OR measurements.measured_at > last_repair.moment
    GROUP BY standing.machine_id, standing.side
)
SELECT
    standing.machine_id,
    standing.side,
    fitted.component,
    fitted.variant,
    GREATEST(0, standing.tenths - fitted.tenths) AS age_tenths,
    standing.tenths AS machine_tenths,
    standing.site,
    standing.model,
    standing.build_year,
    under_way.machine_id IS NOT NULL AS under_way,
    CAST(COALESCE(counted.recent_episodes, 0) AS BIGINT) AS recent_episodes,
    CAST(COALESCE(counted.earlier_episodes, 0) AS BIGINT) AS earlier_episodes,
    COALESCE(measured.readings, 0) AS readings,
    measured.first_reading_at,
    measured.low,
    measured.high
FROM standing
LEFT JOIN fitted
    ON fitted.machine_id = standing.machine_id AND (fitted.side = standing.side OR fitted.side = '') AND fitted.latest = 1
LEFT JOIN under_way ON under_way.machine_id = standing.machine_id AND under_way.side = standing.side
LEFT JOIN counted ON counted.machine_id = standing.machine_id AND counted.side = standing.side
LEFT JOIN measured ON measured.machine_id = standing.machine_id AND measured.side = standing.side
ORDER BY standing.machine_id, standing.side, fitted.component
