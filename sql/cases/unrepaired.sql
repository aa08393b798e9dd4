-- purpose: cases that begin after one which nobody is on record to have repaired, and the running hours between the two.
-- grain: one row a case of the history
-- inputs: case_file
-- parameters: fault, burst_tenths (what comes within so many tenths of a running hour of the first report belongs to its burst)
-- output: machine_id, side, first_at, gap_tenths (from the last report of the case before, in tenths of a running hour),
--   back (TRUE: that case had come back beyond its first burst of reports)
WITH ordered AS (
    SELECT
        machine_id,
        side,
        first_at,
        first_tenths - LAG(last_tenths) OVER one_side AS gap_tenths,
        LAG(last_tenths - first_tenths) OVER one_side >= $burst_tenths AS back,
        LAG(answered) OVER one_side AS was_answered
    FROM case_file
    WHERE fault = $fault
    WINDOW one_side AS (PARTITION BY machine_id, side ORDER BY case_no)
)
SELECT machine_id, side, first_at, gap_tenths, back
FROM ordered
WHERE NOT was_answered AND gap_tenths >= 0
ORDER BY machine_id, side, first_at
