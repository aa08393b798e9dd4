-- purpose: suggestions with the text that they were read from.
-- grain: one row a suggestion
-- inputs: suggestion, work_orders, work_lines
-- parameters: state ('open', 'accepted', 'declined'; NULL = all), work_order_id (NULL = all), machine_id (NULL = all)
-- output: suggestion_id, work_order_id, line_no, machine_id, opened_at, field, component, side, action, finding, result,
--   recurrence_hours, again, confidence, words, text, spans, state, dictionary_version
SELECT
    suggestion.suggestion_id,
    suggestion.work_order_id,
    suggestion.line_no,
    work_orders.machine_id,
    work_orders.opened_at,
    suggestion.field,
    suggestion.component,
    suggestion.side,
    suggestion.action,
    suggestion.finding,
    suggestion.result,
    suggestion.recurrence_hours,
    suggestion.again,
    suggestion.confidence,
    suggestion.words,
    CASE suggestion.field
        WHEN 'complaint' THEN work_orders.complaint
        WHEN 'cause' THEN work_orders.cause
        WHEN 'correction' THEN work_orders.correction
        ELSE work_lines.note
    END AS text,
    suggestion.spans,
    CASE WHEN suggestion.accepted IS NULL THEN 'open' WHEN suggestion.accepted THEN 'accepted' ELSE 'declined' END AS state,
    suggestion.dictionary_version
FROM suggestion
LEFT JOIN work_orders ON work_orders.work_order_id = suggestion.work_order_id
LEFT JOIN work_lines
    ON work_lines.work_order_id = suggestion.work_order_id AND work_lines.line_no = suggestion.line_no
WHERE ($work_order_id IS NULL OR suggestion.work_order_id = $work_order_id)
    AND ($machine_id IS NULL OR work_orders.machine_id = $machine_id)
    AND (
        $state IS NULL
        OR ($state = 'open' AND suggestion.accepted IS NULL)
        OR ($state = 'accepted' AND suggestion.accepted)
        OR ($state = 'declined' AND NOT suggestion.accepted)
    )
ORDER BY work_orders.opened_at, suggestion.work_order_id, suggestion.line_no NULLS FIRST, suggestion.suggestion_id
