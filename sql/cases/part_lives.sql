-- purpose: the lives of a family's followed parts, with the cases that showed while each part was in: a case that the part is
--   behind began with its failure, whether or not anybody wrote the finding down.
-- grain: one row a life without a case, else one a life and case
-- inputs: spell, family_part, part_fit, weighed_case
-- parameters: fault, settling (tenths of an hour)
-- output: machine_id, component, side, fit, variant, entry, hours (tenths of an hour of the part's age; at risk on (entry,
--   hours], from when a fault that stood before the records began would have shown), failed (found so at its end), ended
--   (the part was taken out), case_side, case_no (NULL = no case), onset_tenths, last_tenths (age of the part at the
--   case's first and last report)
WITH in_place AS (
    SELECT
        weighed_case.machine_id,
        weighed_case.side AS case_side,
        weighed_case.case_no,
        part_fit.component,
        part_fit.side,
        part_fit.fit,
        GREATEST(0, weighed_case.first_tenths - part_fit.tenths) AS onset_tenths,
        GREATEST(0, weighed_case.last_tenths - part_fit.tenths) AS last_tenths,
        ROW_NUMBER() OVER (
            PARTITION BY weighed_case.machine_id, weighed_case.side, weighed_case.case_no, part_fit.component
            ORDER BY part_fit.moment DESC, part_fit.side
        ) AS latest
    FROM weighed_case
    INNER JOIN part_fit
        ON part_fit.machine_id = weighed_case.machine_id
        AND (part_fit.side = weighed_case.side OR part_fit.side = '' OR weighed_case.side = '')
        AND part_fit.moment <= weighed_case.first_at
)
SELECT
    spell.machine_id,
    spell.component,
    spell.side,
    spell.fit,
    spell.variant,
    -- no fault is older than its part
    LEAST(spell.entry + LEAST($settling, spell.entry), spell.hours) AS entry,
    spell.hours,
    spell.failed,
    spell.end_reason IN ('failed', 'replaced', 'removed') AS ended,
    in_place.case_side,
    in_place.case_no,
    in_place.onset_tenths,
    in_place.last_tenths
FROM spell
INNER JOIN family_part
    ON family_part.fault = $fault AND family_part.component = spell.component AND family_part.side = spell.side
LEFT JOIN in_place
    ON in_place.machine_id = spell.machine_id
    AND in_place.component = spell.component
    AND in_place.side = spell.side
    AND in_place.fit = spell.fit
    AND in_place.latest = 1
-- a part of the whole machine is in the cases of both sides, whose numbers say nothing of their order
ORDER BY
    spell.component,
    spell.variant,
    spell.machine_id,
    spell.side,
    spell.fit,
    in_place.onset_tenths,
    in_place.last_tenths,
    in_place.case_no,
    in_place.case_side
