-- purpose: machines whose part of the materialised history may no longer hold: rows of theirs came in or were corrected, or
--   the as-of date moved over something of theirs.
-- grain: one row a machine on the list
-- inputs: machines, dated_row, change_log, machine, text_step, filled_line, text_step_now, filled_line_now
-- parameters: last_file (the last file that the materialised history has seen), previous_end, as_of_end (first instants
--   beyond what it was built for, and is to be built for now)
-- output: machine_id
WITH loaded AS (
    SELECT machine_id FROM machines WHERE file_id > $last_file
    UNION
    SELECT machine_id FROM dated_row WHERE file_id > $last_file
    UNION
    -- An order that was moved to another machine is gone from the first one.
    SELECT json_extract_string(old_row, '$.machine_id')
    FROM change_log
    WHERE kind = 'work_orders' AND new_file_id > $last_file
),
-- What the texts are taken to say changes without a file: somebody accepted or declined it.
from_text AS (
    (FROM text_step EXCEPT FROM text_step_now)
    UNION ALL
    (FROM text_step_now EXCEPT FROM text_step)
),
filled AS (
    (FROM filled_line EXCEPT FROM filled_line_now)
    UNION ALL
    (FROM filled_line_now EXCEPT FROM filled_line)
),
-- A machine whose records ended before goes on as it was; whatever bears a date beyond the old end is looked at anew.
waiting_for_time AS (
    SELECT machine_id FROM machine WHERE record_ends >= $previous_end
    UNION
    SELECT machines.machine_id
    FROM machines
    LEFT JOIN machine ON machine.machine_id = machines.machine_id
    WHERE machine.machine_id IS NULL OR machines.disposed_on >= $previous_end
    UNION
    SELECT machine_id FROM dated_row WHERE latest >= $previous_end
),
touched AS (
    SELECT machine_id FROM loaded
    UNION
    SELECT machine_id FROM from_text
    UNION
    SELECT machine_id FROM filled
    UNION
    SELECT machine_id FROM waiting_for_time WHERE $as_of_end <> $previous_end
)
SELECT machines.machine_id
FROM touched
INNER JOIN machines ON machines.machine_id = touched.machine_id
ORDER BY machines.machine_id
