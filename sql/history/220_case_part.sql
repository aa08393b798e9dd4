-- purpose: age and variant of the followed parts on a case's side when it last reported.
-- grain: one row a case and followed component
-- inputs: case_file, part_fit
-- output: fault, machine_id, side, case_no, component, variant ('' = not known), age_tenths
WITH fitted AS (
    SELECT
        case_file.fault,
        case_file.machine_id,
        case_file.side,
        case_file.case_no,
        part_fit.component,
        COALESCE(part_fit.variant, '') AS variant,
        GREATEST(0, case_file.last_tenths - part_fit.tenths) AS age_tenths,
        ROW_NUMBER() OVER (
            PARTITION BY case_file.fault, case_file.machine_id, case_file.side, case_file.case_no, part_fit.component
            ORDER BY part_fit.moment DESC, part_fit.side
        ) AS latest
    FROM case_file
    INNER JOIN part_fit
        ON part_fit.machine_id = case_file.machine_id
        AND (part_fit.side = case_file.side OR part_fit.side = '' OR case_file.side = '')
        AND part_fit.moment <= case_file.last_at
)
SELECT fault, machine_id, side, case_no, component, variant, age_tenths
FROM fitted
WHERE latest = 1
