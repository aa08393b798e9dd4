-- purpose: fault episodes of a machine as stretches of running hours between them, for models of repeat failures.
-- grain: one row a machine and stretch: from the last episode (or the beginning of records) to the next (or their end)
-- inputs: exposed_machine, episode
-- parameters: fault, sites, build_years, machines (lists; NULL = all)
-- output: machine_id, entry, hours (running hours of the machine, in tenths), failed (ended by an episode), number
--   (1 = until the first episode; 5 = until the fifth or any later one, of which few machines have more), build_year,
--   site, make, model, machine_type (text; columns that a rate can be explained by)
WITH watched AS (
    SELECT
        machine_id,
        entry AS begin_tenths,
        hours AS last_tenths,
        COALESCE(CAST(build_year AS VARCHAR), 'unknown') AS build_year,
        COALESCE(site, 'unknown') AS site,
        COALESCE(make, 'unknown') AS make,
        COALESCE(model, 'unknown') AS model,
        COALESCE(machine_type, 'unknown') AS machine_type
    FROM exposed_machine
),
-- Episodes that begin within the same tenth of an hour are one recurrence of the machine.
event AS (
    SELECT DISTINCT episode.machine_id, GREATEST(episode.first_tenths, watched.begin_tenths + 1) AS tenths
    FROM episode
    INNER JOIN watched ON watched.machine_id = episode.machine_id
    WHERE episode.fault = $fault
),
boundary AS (
    SELECT machine_id, tenths, 1 AS failed FROM event
    UNION ALL
    SELECT watched.machine_id, watched.last_tenths, 0
    FROM watched
    WHERE NOT EXISTS (
        SELECT 1 FROM event WHERE event.machine_id = watched.machine_id AND event.tenths >= watched.last_tenths
    )
),
stretch AS (
    SELECT
        machine_id,
        LAG(tenths) OVER (PARTITION BY machine_id ORDER BY tenths) AS last_event,
        tenths,
        failed,
        ROW_NUMBER() OVER (PARTITION BY machine_id ORDER BY tenths) AS number
    FROM boundary
)
SELECT
    watched.machine_id,
    COALESCE(stretch.last_event, watched.begin_tenths) AS entry,
    stretch.tenths AS hours,
    CAST(stretch.failed AS BIGINT) AS failed,
    LEAST(stretch.number, 5) AS number,
    watched.build_year,
    watched.site,
    watched.make,
    watched.model,
    watched.machine_type
FROM stretch
INNER JOIN watched ON watched.machine_id = stretch.machine_id
WHERE COALESCE(stretch.last_event, watched.begin_tenths) < stretch.tenths
ORDER BY watched.machine_id, stretch.tenths
