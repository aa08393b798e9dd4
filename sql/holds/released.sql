-- purpose: when each machine last passed every item of a family's release check, all on one day and none failed there.
-- grain: one row a machine
-- inputs: release_checks, release_item
-- parameters: as_of_end
-- output: machine_id, released_at (the last moment of that day's checks)
WITH checked AS (
    SELECT
        release_checks.machine_id,
        CAST(release_checks.checked_at AS DATE) AS day,
        MAX(release_checks.checked_at) AS released_at,
        COUNT(DISTINCT release_checks.item) AS items,
        MIN(CASE WHEN release_checks.result = 'passed' THEN 1 ELSE 0 END) AS all_passed
    FROM release_checks
    INNER JOIN release_item ON release_item.item = release_checks.item
    WHERE release_checks.checked_at < $as_of_end
    GROUP BY release_checks.machine_id, CAST(release_checks.checked_at AS DATE)
)
SELECT machine_id, MAX(released_at) AS released_at
FROM checked
WHERE all_passed = 1 AND items = (SELECT COUNT(*) FROM release_item)
GROUP BY machine_id
