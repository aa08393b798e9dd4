-- purpose: running hours under observation by age of the part, from which hazards are learnt: a life counts from the age
--   at which records begin to the age at which they, or it, end. Ages are to the nearest ten hours.
-- grain: one row a component (or the machine), variant and age at which observations begin or end
-- inputs: spell, family_part, family_machine, family_side, machine, clock, part_fit
-- parameters: fault
-- output: component ('' = the machine's own running hours, for whatever is not followed), variant ('' = not known),
--   age_hours, net (lives that end there less lives that begin there)
WITH exposed AS (
    SELECT machine.machine_id, begin_clock.tenths AS entry, last_clock.tenths AS hours
    FROM machine
    INNER JOIN family_machine
        ON family_machine.fault = $fault
        AND family_machine.machine_type = COALESCE(machine.machine_type, '')
        AND family_machine.control = COALESCE(machine.control, '')
    INNER JOIN clock AS begin_clock ON begin_clock.machine_id = machine.machine_id AND begin_clock.moment = machine.record_begins
    INNER JOIN clock AS last_clock ON last_clock.machine_id = machine.machine_id AND last_clock.moment = machine.record_ends
    WHERE begin_clock.tenths < last_clock.tenths
),
life AS (
    SELECT '' AS component, '' AS variant, exposed.entry, exposed.hours
    FROM exposed
    INNER JOIN family_side ON family_side.fault = $fault
    UNION ALL
    SELECT spell.component, CASE spell.variant WHEN 'unknown' THEN '' ELSE spell.variant END, spell.entry, spell.hours
    FROM spell
    INNER JOIN exposed ON exposed.machine_id = spell.machine_id
    INNER JOIN family_part
        ON family_part.fault = $fault AND family_part.component = spell.component AND family_part.side = spell.side
    WHERE spell.entry < spell.hours
    UNION ALL
    -- Nothing is known of the part, so the machine's hours stand for its age, as they do in its cases.
    SELECT family_part.component, '', exposed.entry, exposed.hours
    FROM exposed
    INNER JOIN family_part ON family_part.fault = $fault
    LEFT JOIN part_fit
        ON part_fit.machine_id = exposed.machine_id
        AND part_fit.component = family_part.component
        AND part_fit.side = family_part.side
    WHERE part_fit.machine_id IS NULL
),
boundary AS (
    SELECT component, variant, CAST(ROUND(entry / 100.0) AS BIGINT) * 10 AS age_hours, -COUNT(*) AS net
    FROM life
    GROUP BY component, variant, CAST(ROUND(entry / 100.0) AS BIGINT) * 10
    UNION ALL
    SELECT component, variant, CAST(ROUND(hours / 100.0) AS BIGINT) * 10, COUNT(*)
    FROM life
    GROUP BY component, variant, CAST(ROUND(hours / 100.0) AS BIGINT) * 10
)
SELECT component, variant, age_hours, CAST(SUM(net) AS BIGINT) AS net
FROM boundary
GROUP BY component, variant, age_hours
HAVING SUM(net) <> 0
ORDER BY component, variant, age_hours
