-- purpose: fault episodes.
-- grain: one row a fault family, machine, side and episode
-- inputs: numbered_report
-- output: fault, machine_id, side, episode, first_at, last_at, first_tenths, last_tenths, reports
SELECT
    fault,
    machine_id,
    side,
    episode,
    MIN(moment) AS first_at,
    MAX(moment) AS last_at,
    MIN(tenths) AS first_tenths,
    MAX(tenths) AS last_tenths,
    COUNT(*) AS reports
FROM numbered_report
GROUP BY fault, machine_id, side, episode
