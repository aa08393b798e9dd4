-- purpose: lives of the followed parts, with delayed entry: a life is under observation only while the yard's records
--   would show its end.
-- grain: one row a machine, component, side and fitting
-- inputs: machine, part_fit, work_step, components, clock, machine_hours, part_failure, family_part
-- parameters: as_of_end
-- output: machine_id, component, side, fit, variant, how, inferred, fitted_at, entry, hours (component age in tenths of
--   a running hour when observation begins and ends; at risk on (entry, hours]), failed, cause (finding of the
--   failure), ended_at, end_reason ('failed', 'replaced', 'removed', 'disposed', 'records_end'), estimated (TRUE: the
--   end lies beyond the last reading), build_year, make, model, machine_type, control, site, sensor_kind (variant of the
--   part that its family tells beside the lives of others, when the life began; to split by)
WITH following AS (
    SELECT
        part_fit.*,
        LEAD(moment) OVER one_place AS next_at,
        LEAD(tenths) OVER one_place AS next_tenths,
        LEAD(old_failed) OVER one_place AS next_old_failed,
        LEAD(old_finding) OVER one_place AS next_old_finding
    FROM part_fit
    WINDOW one_place AS (PARTITION BY machine_id, component, side ORDER BY fit)
),
found_failed AS (
    SELECT
        following.machine_id,
        following.component,
        following.side,
        following.fit,
        MIN(work_step.moment) AS moment,
        MIN(work_step.tenths) AS tenths,
        MIN(work_step.finding) AS finding
    FROM following
    INNER JOIN work_step
        ON work_step.machine_id = following.machine_id
        AND work_step.component = following.component
        AND work_step.side = following.side
        AND work_step.action NOT IN ('replace', 'overhaul')
        AND work_step.moment > following.moment
        AND (following.next_at IS NULL OR work_step.moment < following.next_at)
    INNER JOIN part_failure ON part_failure.component = work_step.component AND part_failure.finding = work_step.finding
    GROUP BY following.machine_id, following.component, following.side, following.fit
),
removed AS (
    SELECT
        following.machine_id,
        following.component,
        following.side,
        following.fit,
        MIN(CAST(components.removed_on AS TIMESTAMP)) AS moment,
        MIN(COALESCE(CAST(ROUND(components.removed_hours * 10) AS BIGINT), clock.tenths)) AS tenths,
        MIN(part_failure.finding) AS finding
    FROM following
    INNER JOIN components
        ON components.machine_id = following.machine_id
        AND components.component = following.component
        AND COALESCE(components.side, following.side) = following.side
        AND CAST(components.removed_on AS TIMESTAMP) > following.moment
        AND components.removed_on < $as_of_end
        AND (following.next_at IS NULL OR CAST(components.removed_on AS TIMESTAMP) <= following.next_at)
    LEFT JOIN clock ON clock.machine_id = components.machine_id AND clock.moment = CAST(components.removed_on AS TIMESTAMP)
    LEFT JOIN part_failure
        ON part_failure.component = components.component AND part_failure.finding = LOWER(components.removal_reason)
    GROUP BY following.machine_id, following.component, following.side, following.fit
),
ended AS (
    SELECT
        following.*,
        CASE
            WHEN found_failed.moment IS NOT NULL THEN found_failed.moment
            WHEN removed.moment IS NOT NULL THEN removed.moment
            ELSE following.next_at
        END AS end_at,
        CASE
            WHEN found_failed.moment IS NOT NULL THEN found_failed.tenths
            WHEN removed.moment IS NOT NULL THEN removed.tenths
            ELSE following.next_tenths
        END AS end_tenths,
        COALESCE(found_failed.finding, removed.finding, CASE WHEN following.next_old_failed THEN following.next_old_finding END)
            AS failure,
        removed.moment IS NOT NULL AND following.next_at IS NULL AS taken_out
    FROM following
    LEFT JOIN found_failed USING (machine_id, component, side, fit)
    LEFT JOIN removed USING (machine_id, component, side, fit)
),
observed AS (
    SELECT
        ended.*,
        machine.record_begins,
        machine.record_ends,
        machine.leaves,
        machine_hours.begin_tenths,
        machine_hours.end_tenths AS last_tenths,
        machine_hours.end_estimated AS last_estimated,
        ended.end_at IS NOT NULL AND ended.end_at <= machine.record_ends AS ends_in_sight
    FROM ended
    INNER JOIN machine ON machine.machine_id = ended.machine_id
    INNER JOIN machine_hours ON machine_hours.machine_id = ended.machine_id AND machine_hours.begin_tenths IS NOT NULL
),
told_beside AS (
    SELECT DISTINCT component FROM family_part WHERE told_beside
),
companion AS (
    SELECT
        spell.machine_id,
        spell.component,
        spell.side,
        spell.fit,
        companion_fit.variant,
        ROW_NUMBER() OVER (
            PARTITION BY spell.machine_id, spell.component, spell.side, spell.fit ORDER BY companion_fit.moment DESC, companion_fit.side
        ) AS latest
    FROM part_fit AS spell
    INNER JOIN part_fit AS companion_fit
        ON companion_fit.machine_id = spell.machine_id
        AND (companion_fit.side = spell.side OR spell.side = '')
        AND companion_fit.moment <= spell.moment
    INNER JOIN told_beside ON told_beside.component = companion_fit.component
)
SELECT
    observed.machine_id,
    observed.component,
    observed.side,
    observed.fit,
    COALESCE(observed.variant, 'unknown') AS variant,
    observed.how,
    observed.inferred,
    observed.moment AS fitted_at,
    GREATEST(0, observed.begin_tenths - observed.tenths) AS entry,
    GREATEST(0, CASE WHEN ends_in_sight THEN observed.end_tenths ELSE observed.last_tenths END - observed.tenths) AS hours,
    ends_in_sight AND observed.failure IS NOT NULL AS failed,
    CASE WHEN ends_in_sight THEN observed.failure END AS cause,
    CASE WHEN ends_in_sight THEN observed.end_at ELSE observed.record_ends END AS ended_at,
    CASE
        WHEN NOT ends_in_sight THEN observed.leaves
        WHEN observed.failure IS NOT NULL THEN 'failed'
        WHEN observed.taken_out THEN 'removed'
        ELSE 'replaced'
    END AS end_reason,
    NOT ends_in_sight AND observed.last_estimated = 'after' AS estimated,
    machine.build_year,
    machine.make,
    machine.model,
    machine.machine_type,
    machine.control,
    machine.site,
    COALESCE(companion.variant, 'unknown') AS sensor_kind
FROM observed
INNER JOIN machine ON machine.machine_id = observed.machine_id
LEFT JOIN companion
    ON companion.machine_id = observed.machine_id
    AND companion.component = observed.component
    AND companion.side = observed.side
    AND companion.fit = observed.fit
    AND companion.latest = 1
