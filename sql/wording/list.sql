-- purpose: suggestions with the text that they were read from, those that would change an answer first.
-- grain: one row a suggestion
-- inputs: suggestion, judgement, work_orders, work_lines
-- parameters: state ('open', 'accepted', 'declined'; NULL = all), work_order_id (NULL = all), machine_id (NULL = all),
--   confidence (at least so sure), parts (the components whose lives the fault families follow), causes (those that are
--   at fault in one of their causes)
-- output: suggestion_id, work_order_id, line_no, machine_id, opened_at, field, component, side, action, finding, result,
--   recurrence_hours, again, confidence, changes (what an acceptance brings that no line says: 'step' = a step of work,
--   'side', 'finding', 'result' = of a typed line; NULL = nothing), words, text, spans, state, judged_by, judged_at (UTC),
--   dictionary_version
WITH listed AS (
    SELECT
        suggestion.*,
        EXISTS (
            SELECT 1
            FROM work_lines AS typed
            WHERE typed.work_order_id = suggestion.work_order_id
                AND typed.component = suggestion.component
                AND typed.action = suggestion.action
                AND (typed.side IS NULL OR suggestion.side IS NULL OR typed.side = suggestion.side)
        ) AS is_typed,
        (
            SELECT
                CASE
                    WHEN BOOL_OR(typed.finding IS NULL AND suggestion.finding IS NOT NULL) THEN 'finding'
                    WHEN BOOL_OR(typed.side IS NULL AND suggestion.side IS NOT NULL) THEN 'side'
                    WHEN BOOL_OR(typed.result IS NULL AND suggestion.result IS NOT NULL AND suggestion.action IS NOT NULL)
                        THEN 'result'
                END
            FROM work_lines AS typed
            WHERE typed.work_order_id = suggestion.work_order_id
                AND typed.component = suggestion.component
                AND (typed.action = suggestion.action OR suggestion.action IS NULL)
                AND (suggestion.side IS NULL OR typed.side IS NULL OR typed.side = suggestion.side)
                AND (suggestion.line_no IS NULL OR typed.line_no = suggestion.line_no)
        ) AS fills
    FROM suggestion
),
weighed AS (
    SELECT
        *,
        CASE WHEN action IS NOT NULL AND component IS NOT NULL AND NOT is_typed THEN 'step' ELSE fills END AS changes
    FROM listed
)
SELECT
    weighed.suggestion_id,
    weighed.work_order_id,
    weighed.line_no,
    work_orders.machine_id,
    work_orders.opened_at,
    weighed.field,
    weighed.component,
    weighed.side,
    weighed.action,
    weighed.finding,
    weighed.result,
    weighed.recurrence_hours,
    weighed.again,
    weighed.confidence,
    weighed.changes,
    weighed.words,
    CASE weighed.field
        WHEN 'complaint' THEN work_orders.complaint
        WHEN 'cause' THEN work_orders.cause
        WHEN 'correction' THEN work_orders.correction
        ELSE work_lines.note
    END AS text,
    weighed.spans,
    CASE WHEN weighed.accepted IS NULL THEN 'open' WHEN weighed.accepted THEN 'accepted' ELSE 'declined' END AS state,
    judgement.judged_by,
    judgement.judged_at,
    weighed.dictionary_version
FROM weighed
LEFT JOIN judgement ON judgement.suggestion_id = weighed.suggestion_id
LEFT JOIN work_orders ON work_orders.work_order_id = weighed.work_order_id
LEFT JOIN work_lines
    ON work_lines.work_order_id = weighed.work_order_id AND work_lines.line_no = weighed.line_no
WHERE ($work_order_id IS NULL OR weighed.work_order_id = $work_order_id)
    AND ($machine_id IS NULL OR work_orders.machine_id = $machine_id)
    AND weighed.confidence >= $confidence
    AND (
        $state IS NULL
        OR ($state = 'open' AND weighed.accepted IS NULL)
        OR ($state = 'accepted' AND weighed.accepted)
        OR ($state = 'declined' AND NOT weighed.accepted)
    )
-- What brings something new first; of that the parts whose lives are followed, then those at fault in a cause; of each
-- what ends a life or names a cause; the latest work before older.
ORDER BY
    CASE WHEN weighed.changes IS NULL THEN 1 ELSE 0 END,
    CASE
        WHEN LIST_CONTAINS($parts, weighed.component) THEN 0
        WHEN LIST_CONTAINS($causes, weighed.component) THEN 1
        ELSE 2
    END,
    CASE WHEN weighed.action IN ('replace', 'overhaul') OR weighed.finding IS NOT NULL THEN 0 ELSE 1 END,
    work_orders.opened_at DESC NULLS LAST,
    weighed.work_order_id,
    weighed.line_no NULLS FIRST,
    weighed.suggestion_id
