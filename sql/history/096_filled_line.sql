-- purpose: what the texts tell of typed lines that leave side, finding or result empty, as far as suggestions count.
-- grain: one row a work line with something to fill in
-- inputs: suggestion, work_lines, work_orders
-- parameters: count_unjudged (BOOLEAN: suggestions that nobody has judged count too), least_confidence (of those)
-- output: machine_id, work_order_id, line_no, side, finding, result (each NULL where the line has its own, or nothing
--   or different things are told)
WITH counting AS (
    SELECT *
    FROM suggestion
    WHERE component IS NOT NULL
        AND (accepted OR (accepted IS NULL AND $count_unjudged AND confidence >= $least_confidence))
),
told AS (
    SELECT
        work_lines.work_order_id,
        work_lines.line_no,
        CASE WHEN work_lines.side IS NULL THEN counting.side END AS side,
        CASE WHEN work_lines.finding IS NULL THEN counting.finding END AS finding,
        CASE WHEN work_lines.result IS NULL AND counting.action IS NOT NULL THEN counting.result END AS result
    FROM work_lines
    INNER JOIN counting
        ON counting.work_order_id = work_lines.work_order_id
        AND counting.component = work_lines.component
        AND (counting.action = work_lines.action OR counting.action IS NULL)
        AND (counting.side IS NULL OR work_lines.side IS NULL OR counting.side = work_lines.side)
        AND (counting.line_no IS NULL OR counting.line_no = work_lines.line_no)
),
agreed AS (
    SELECT
        work_order_id,
        line_no,
        CASE WHEN MIN(side) = MAX(side) THEN MIN(side) END AS side,
        CASE WHEN MIN(finding) = MAX(finding) THEN MIN(finding) END AS finding,
        CASE WHEN MIN(result) = MAX(result) THEN MIN(result) END AS result
    FROM told
    GROUP BY work_order_id, line_no
)
SELECT work_orders.machine_id, agreed.work_order_id, agreed.line_no, agreed.side, agreed.finding, agreed.result
FROM agreed
INNER JOIN work_orders ON work_orders.work_order_id = agreed.work_order_id
WHERE agreed.side IS NOT NULL OR agreed.finding IS NOT NULL OR agreed.result IS NOT NULL
