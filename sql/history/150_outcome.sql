-- purpose: whether each repair attempt held: running hours until the next report of the same family, machine and side.
-- grain: one row a fault family, machine, side and attempt
-- inputs: attempt, episode, machine_hours, family_window
-- output: the columns of attempt, held_tenths (running hours until the return, or as far as it could be followed),
--   came_back (TRUE: the fault returned after held_tenths; FALSE: followed so far without a return),
--   outcome ('came_back', 'held' = followed past the confirmation window, 'followed' = not yet so far),
--   back_at (first report of the return)
WITH sequenced AS (
    SELECT
        attempt.*,
        LEAD(moment) OVER (PARTITION BY fault, machine_id, side ORDER BY moment, work_order_id) AS next_attempt_at,
        LEAD(tenths) OVER (PARTITION BY fault, machine_id, side ORDER BY moment, work_order_id) AS next_attempt_tenths
    FROM attempt
),
returned AS (
    SELECT
        sequenced.fault,
        sequenced.machine_id,
        sequenced.side,
        sequenced.work_order_id,
        MIN(episode.first_at) AS back_at,
        MIN(episode.first_tenths) AS back_tenths
    FROM sequenced
    INNER JOIN episode
        ON episode.fault = sequenced.fault
        AND episode.machine_id = sequenced.machine_id
        AND (episode.side = sequenced.side OR episode.side = '' OR sequenced.side = '')
        AND episode.first_at > sequenced.moment
        AND (sequenced.next_attempt_at IS NULL OR episode.first_at <= sequenced.next_attempt_at)
    GROUP BY sequenced.fault, sequenced.machine_id, sequenced.side, sequenced.work_order_id
),
followed AS (
    SELECT
        sequenced.*,
        returned.back_at,
        CASE
            -- A step that its own test failed never held at all.
            WHEN sequenced.result = 'failed' THEN 0
            WHEN returned.back_tenths IS NOT NULL THEN returned.back_tenths - sequenced.tenths
            WHEN sequenced.next_attempt_tenths IS NOT NULL THEN sequenced.next_attempt_tenths - sequenced.tenths
            ELSE machine_hours.end_tenths - sequenced.tenths
        END AS held_tenths,
        sequenced.result IS NOT DISTINCT FROM 'failed' OR returned.back_tenths IS NOT NULL AS came_back
    FROM sequenced
    LEFT JOIN machine_hours ON machine_hours.machine_id = sequenced.machine_id
    LEFT JOIN returned
        ON returned.fault = sequenced.fault
        AND returned.machine_id = sequenced.machine_id
        AND returned.side = sequenced.side
        AND returned.work_order_id = sequenced.work_order_id
)
SELECT
    followed.fault,
    followed.machine_id,
    followed.side,
    followed.moment,
    followed.tenths,
    followed.work_order_id,
    followed.line_no,
    followed.step,
    followed.component,
    followed.action,
    followed.finding,
    followed.result,
    followed.labour_hours,
    followed.cost,
    GREATEST(0, followed.held_tenths) AS held_tenths,
    followed.came_back,
    CASE
        WHEN followed.came_back THEN 'came_back'
        WHEN followed.held_tenths >= family_window.confirmation_hours * 10 THEN 'held'
        ELSE 'followed'
    END AS outcome,
    followed.back_at
FROM followed
INNER JOIN family_window ON family_window.fault = followed.fault
