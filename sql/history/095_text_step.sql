-- purpose: steps that only the texts of a work order tell of, as far as suggestions count.
-- grain: one row a work order, component, action and side told of
-- inputs: suggestion, work_lines, work_orders
-- parameters: count_unjudged (BOOLEAN: suggestions that nobody has judged count too), least_confidence (of those)
-- output: machine_id, work_order_id, line_no (from 1000001 on, beyond the typed lines), component, side (NULL = not
--   told), action, result, finding, words, suggestion_id, accepted
WITH counting AS (
    SELECT *
    FROM suggestion
    WHERE component IS NOT NULL
        AND action IS NOT NULL
        AND (accepted OR (accepted IS NULL AND $count_unjudged AND confidence >= $least_confidence))
),
-- A step that a typed line tells of is left out: what is typed always goes before what is read.
untyped AS (
    SELECT counting.*
    FROM counting
    WHERE NOT EXISTS (
        SELECT 1
        FROM work_lines
        WHERE work_lines.work_order_id = counting.work_order_id
            AND work_lines.component = counting.component
            AND work_lines.action = counting.action
            AND (work_lines.side IS NULL OR counting.side IS NULL OR work_lines.side = counting.side)
    )
),
-- The same step told twice, in the cause and in the correction, say, is one; one without a side is the one with.
sided AS (
    SELECT untyped.*
    FROM untyped
    WHERE untyped.side IS NOT NULL OR NOT EXISTS (
        SELECT 1
        FROM untyped AS other
        WHERE other.work_order_id = untyped.work_order_id
            AND other.component = untyped.component
            AND other.action = untyped.action
            AND other.side IS NOT NULL
    )
),
ranked AS (
    SELECT
        sided.*,
        ROW_NUMBER() OVER (
            PARTITION BY work_order_id, component, action, side
            ORDER BY CASE WHEN accepted THEN 0 ELSE 1 END, CASE WHEN finding IS NULL THEN 1 ELSE 0 END, confidence DESC, suggestion_id
        ) AS rank_no
    FROM sided
)
SELECT
    work_orders.machine_id,
    ranked.work_order_id,
    1000000 + ROW_NUMBER() OVER (PARTITION BY ranked.work_order_id ORDER BY ranked.suggestion_id) AS line_no,
    ranked.component,
    ranked.side,
    ranked.action,
    ranked.result,
    ranked.finding,
    ranked.words,
    ranked.suggestion_id,
    ranked.accepted
FROM ranked
INNER JOIN work_orders ON work_orders.work_order_id = ranked.work_order_id
WHERE ranked.rank_no = 1
