-- purpose: which wordings of codes and complaints belong to which fault family, and which side they name.
-- grain: one row a fault family and wording (field + spn + fmi + code + text)
-- inputs: fault_codes, work_orders, family_rule, family_unless, family_side_word
-- parameters: as_of_end
-- materialised: while building
-- output: fault, field ('code' for a fault code, 'complaint' for a work order), spn, fmi, code, text, side ('' when
--   the wording names none)
WITH wording AS (
    SELECT DISTINCT 'code' AS field, spn, fmi, code, description AS text FROM fault_codes WHERE seen_at < $as_of_end
    UNION ALL
    SELECT DISTINCT 'complaint', NULL, NULL, NULL, complaint
    FROM work_orders WHERE complaint IS NOT NULL AND opened_at < $as_of_end
),
padded AS (
    SELECT *, ' ' || LOWER(COALESCE(text, '')) || ' ' AS padded_text, LOWER(COALESCE(code, '')) AS lower_code FROM wording
),
fitting AS (
    SELECT padded.*, family_rule.fault, family_rule.rule_no, family_rule.side AS rule_side
    FROM padded
    INNER JOIN family_rule
        ON (
            padded.field = 'code' AND (
                (family_rule.field = 'spn' AND family_rule.spn = padded.spn AND (family_rule.fmi IS NULL OR family_rule.fmi = padded.fmi))
                OR (family_rule.field = 'code' AND padded.lower_code LIKE family_rule.words)
                OR (family_rule.field = 'description' AND padded.padded_text LIKE family_rule.words)
            )
        )
        OR (padded.field = 'complaint' AND family_rule.field = 'complaint' AND padded.padded_text LIKE family_rule.words)
),
denied AS (
    SELECT DISTINCT fitting.fault, fitting.rule_no, fitting.field, fitting.spn, fitting.fmi, fitting.code, fitting.text
    FROM fitting
    INNER JOIN family_unless
        ON family_unless.fault = fitting.fault
        AND family_unless.rule_no = fitting.rule_no
        AND CASE WHEN fitting.field = 'code' AND family_unless.field = 'code' THEN fitting.lower_code ELSE fitting.padded_text END
            LIKE family_unless.words
),
side_named AS (
    SELECT
        fitting.fault,
        fitting.padded_text,
        MIN(family_side_word.side) AS first_side,
        MAX(family_side_word.side) AS last_side
    FROM fitting
    INNER JOIN family_side_word
        ON family_side_word.fault = fitting.fault AND fitting.padded_text LIKE family_side_word.pattern
    GROUP BY fitting.fault, fitting.padded_text
)
SELECT
    fitting.fault,
    fitting.field,
    fitting.spn,
    fitting.fmi,
    fitting.code,
    fitting.text,
    COALESCE(
        NULLIF(MAX(fitting.rule_side), ''),
        MAX(CASE WHEN side_named.first_side = side_named.last_side THEN side_named.first_side END),
        ''
    ) AS side
FROM fitting
LEFT JOIN side_named ON side_named.fault = fitting.fault AND side_named.padded_text = fitting.padded_text
LEFT JOIN denied
    ON denied.fault = fitting.fault
    AND denied.rule_no = fitting.rule_no
    AND denied.field = fitting.field
    AND denied.spn IS NOT DISTINCT FROM fitting.spn
    AND denied.fmi IS NOT DISTINCT FROM fitting.fmi
    AND denied.code IS NOT DISTINCT FROM fitting.code
    AND denied.text IS NOT DISTINCT FROM fitting.text
WHERE denied.rule_no IS NULL
GROUP BY fitting.fault, fitting.field, fitting.spn, fitting.fmi, fitting.code, fitting.text
