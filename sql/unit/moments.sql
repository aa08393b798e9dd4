-- purpose: the instants of each machine's life at which its running hours are known, and at which of them a fault of the family
--   was reported or worked on.
-- grain: one row a machine and instant
-- inputs: clock, numbered_report, case_step
-- parameters: machines (list), fault
-- output: machine_id, moment, tenths, happened (TRUE: a report, or a step of the family)
WITH happening AS (
    SELECT machine_id, moment FROM numbered_report WHERE fault = $fault
    UNION
    SELECT machine_id, moment FROM case_step WHERE fault = $fault
)
SELECT clock.machine_id, clock.moment, clock.tenths, happening.machine_id IS NOT NULL AS happened
FROM clock
LEFT JOIN happening ON happening.machine_id = clock.machine_id AND happening.moment = clock.moment
WHERE ARRAY_CONTAINS($machines, clock.machine_id)
ORDER BY clock.machine_id, clock.moment
