-- purpose: fault episodes of a machine as stretches of running hours between them, for models of repeat failures.
-- grain: one row a machine and stretch: from the last episode (or the beginning of records) to the next (or their end)
-- inputs: machine, clock, episode, family_machine
-- parameters: fault, sites, build_years, machines (lists; NULL = all)
-- output: machine_id, entry, hours (running hours of the machine, in tenths), failed (ended by an episode), number
--   (1 = until the first episode; 5 = until the fifth or any later one, of which few machines have more), and the
--   columns a rate can be explained by: build_year, site, make, model, machine_type (text)
WITH watched AS (
    SELECT
        machine.machine_id,
        begin_clock.tenths AS begin_tenths,
        last_clock.tenths AS last_tenths,
        COALESCE(CAST(machine.build_year AS VARCHAR), 'unknown') AS build_year,
        COALESCE(machine.site, 'unknown') AS site,
        COALESCE(machine.make, 'unknown') AS make,
        COALESCE(machine.model, 'unknown') AS model,
        COALESCE(machine.machine_type, 'unknown') AS machine_type
    FROM machine
    INNER JOIN family_machine
        ON family_machine.fault = $fault
        AND family_machine.machine_type = COALESCE(machine.machine_type, '')
        AND family_machine.control = COALESCE(machine.control, '')
    INNER JOIN clock AS begin_clock ON begin_clock.machine_id = machine.machine_id AND begin_clock.moment = machine.record_begins
    INNER JOIN clock AS last_clock ON last_clock.machine_id = machine.machine_id AND last_clock.moment = machine.record_ends
    WHERE begin_clock.tenths < last_clock.tenths
        AND ($sites IS NULL OR ARRAY_CONTAINS($sites, machine.site))
        AND ($build_years IS NULL OR ARRAY_CONTAINS($build_years, machine.build_year))
        AND ($machines IS NULL OR ARRAY_CONTAINS($machines, machine.machine_id))
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
