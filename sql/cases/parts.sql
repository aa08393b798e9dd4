-- purpose: the followed parts on the side of each case: the one in place when the fault first showed, which is the one
--   that can be at the bottom of it, and the one in place when it last did.
-- grain: one row a case and followed component
-- inputs: weighed_case, part_fit, family_part
-- parameters: fault
-- output: machine_id, side, case_no, component, onset_variant, onset_tenths (variant and age at the first report; ''
--   and NULL = not known), variant, age_tenths (at the last report)
WITH component AS (
    SELECT DISTINCT component FROM family_part WHERE fault = $fault
),
fitted AS (
    SELECT
        weighed_case.machine_id,
        weighed_case.side,
        weighed_case.case_no,
        part_fit.component,
        COALESCE(part_fit.variant, '') AS variant,
        GREATEST(0, weighed_case.first_tenths - part_fit.tenths) AS onset_tenths,
        GREATEST(0, weighed_case.last_tenths - part_fit.tenths) AS age_tenths,
        part_fit.moment <= weighed_case.first_at AS at_onset,
        ROW_NUMBER() OVER (
            PARTITION BY weighed_case.machine_id, weighed_case.side, weighed_case.case_no, part_fit.component, part_fit.moment <= weighed_case.first_at
            ORDER BY part_fit.moment DESC, part_fit.side
        ) AS latest
    FROM weighed_case
    INNER JOIN part_fit
        ON part_fit.machine_id = weighed_case.machine_id
        AND (part_fit.side = weighed_case.side OR part_fit.side = '' OR weighed_case.side = '')
        AND part_fit.moment <= weighed_case.last_at
    INNER JOIN component ON component.component = part_fit.component
)
SELECT
    machine_id,
    side,
    case_no,
    component,
    COALESCE(MAX(CASE WHEN at_onset THEN variant END), '') AS onset_variant,
    MAX(CASE WHEN at_onset THEN onset_tenths END) AS onset_tenths,
    COALESCE(MAX(CASE WHEN NOT at_onset THEN variant END), MAX(variant)) AS variant,
    COALESCE(MAX(CASE WHEN NOT at_onset THEN age_tenths END), MAX(age_tenths)) AS age_tenths
FROM fitted
WHERE latest = 1
GROUP BY machine_id, side, case_no, component
ORDER BY machine_id, side, case_no, component
