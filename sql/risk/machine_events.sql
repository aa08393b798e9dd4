-- purpose: fault episodes by machine and running hours of the machine.
-- grain: one row a machine and age at which episodes began
-- inputs: episode, machine, clock
-- parameters: fault
-- output: machine_id, hours (tenths), count
SELECT episode.machine_id, GREATEST(episode.first_tenths, begin_clock.tenths + 1) AS hours, COUNT(*) AS count
FROM episode
INNER JOIN machine ON machine.machine_id = episode.machine_id
INNER JOIN clock AS begin_clock ON begin_clock.machine_id = machine.machine_id AND begin_clock.moment = machine.record_begins
WHERE episode.fault = $fault
GROUP BY episode.machine_id, GREATEST(episode.first_tenths, begin_clock.tenths + 1)
ORDER BY episode.machine_id, hours
