-- purpose: fault episodes by machine and running hours of the machine.
-- grain: one row a machine and age at which episodes began
-- inputs: episode, machine_hours
-- parameters: fault
-- output: machine_id, hours (tenths), count
SELECT episode.machine_id, GREATEST(episode.first_tenths, machine_hours.begin_tenths + 1) AS hours, COUNT(*) AS count
FROM episode
INNER JOIN machine_hours ON machine_hours.machine_id = episode.machine_id
WHERE episode.fault = $fault AND machine_hours.begin_tenths IS NOT NULL
GROUP BY episode.machine_id, GREATEST(episode.first_tenths, machine_hours.begin_tenths + 1)
ORDER BY episode.machine_id, hours
