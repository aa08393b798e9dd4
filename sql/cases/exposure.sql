-- purpose: running hours under observation by age of the part, from which hazards are learnt: a life counts from the age
--   at which records begin, and a fault that stood before would have shown, to the age at which they, or it, end. Ages
--   are to the nearest ten hours.
-- grain: one row a component (or the machine), variant and age at which observations begin or end
-- inputs: exposed_machine, spell, family_part, family_side, part_fit
-- parameters: settling (tenths of an hour), fault, sites, build_years, machines (lists; NULL = all)
-- output: component ('' = the machine's own running hours, for whatever is not followed), variant ('' = not known),
--   age_hours, net (lives that end there less lives that begin there)
WITH life AS (
    SELECT '' AS component, '' AS variant, exposed_machine.entry, exposed_machine.hours
    FROM exposed_machine
    INNER JOIN family_side ON family_side.fault = $fault
    UNION ALL
    SELECT spell.component, CASE spell.variant WHEN 'unknown' THEN '' ELSE spell.variant END, spell.entry, spell.hours
    FROM spell
    INNER JOIN exposed_machine ON exposed_machine.machine_id = spell.machine_id
    INNER JOIN family_part
        ON family_part.fault = $fault AND family_part.component = spell.component AND family_part.side = spell.side
    UNION ALL
    -- Nothing is known of the part, so the machine's hours stand for its age, as they do in its cases.
    SELECT family_part.component, '', exposed_machine.entry, exposed_machine.hours
    FROM exposed_machine
    INNER JOIN family_part ON family_part.fault = $fault
    LEFT JOIN part_fit
        ON part_fit.machine_id = exposed_machine.machine_id
        AND part_fit.component = family_part.component
        AND part_fit.side = family_part.side
    WHERE part_fit.machine_id IS NULL
),
settled AS (
    -- no fault is older than its part
    SELECT component, variant, GREATEST(0, entry + LEAST($settling, entry)) AS entry, hours
    FROM life
    WHERE GREATEST(0, entry + LEAST($settling, entry)) < hours
),
boundary AS (
    SELECT component, variant, CAST(ROUND(entry / 100.0) AS BIGINT) * 10 AS age_hours, -COUNT(*) AS net
    FROM settled
    GROUP BY component, variant, CAST(ROUND(entry / 100.0) AS BIGINT) * 10
    UNION ALL
    SELECT component, variant, CAST(ROUND(hours / 100.0) AS BIGINT) * 10, COUNT(*)
    FROM settled
    GROUP BY component, variant, CAST(ROUND(hours / 100.0) AS BIGINT) * 10
)
SELECT component, variant, age_hours, CAST(SUM(net) AS BIGINT) AS net
FROM boundary
GROUP BY component, variant, age_hours
HAVING SUM(net) <> 0
ORDER BY component, variant, age_hours
