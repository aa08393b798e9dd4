-- purpose: cases that begin after one which nobody is on record to have repaired, and the running hours between the two.
-- grain: one row a case of the history
-- inputs: case_file
-- parameters: fault
-- output: machine_id, side, first_at, gap_tenths (from the last report of the case before, in tenths of a running hour)
WITH ordered AS (
    SELECT
        machine_id,
        side,
        first_at,
        first_tenths - LAG(last_tenths) OVER one_side AS gap_tenths,
        LAG(answered) OVER one_side AS was_answered
    FROM case_file
    WHERE fault = $fault
    WINDOW one_side AS (PARTITION BY machine_id, side ORDER BY case_no)
)
SELECT machine_id, side, first_at, gap_tenths
FROM ordered
WHERE NOT was_answered AND gap_tenths >= 0
ORDER BY machine_id, side, first_at
