-- purpose: the followed parts in place on every side, today and at the beginning of stretches that have gone by.
-- grain: one row a machine, side, point and followed component
-- inputs: watch_point, family_part, part_fit
-- parameters: fault, as_of_end, ahead, latest (as of watch_point), sites, build_years, machines (lists; NULL = all)
-- output: machine_id, side, tenths, is_now, site, model, build_year, component (NULL = nothing known of any), variant
--   ('' = not known), age_tenths
WITH fitted AS (
    SELECT
        watch_point.machine_id,
        watch_point.side,
        watch_point.tenths,
        watch_point.is_now,
        part_fit.component,
        COALESCE(part_fit.variant, '') AS variant,
        watch_point.tenths - part_fit.tenths AS age_tenths,
        ROW_NUMBER() OVER (
            PARTITION BY watch_point.machine_id, watch_point.side, watch_point.tenths, watch_point.is_now, part_fit.component
            ORDER BY part_fit.moment DESC
        ) AS latest
    FROM watch_point
    INNER JOIN part_fit
        ON part_fit.machine_id = watch_point.machine_id
        AND (part_fit.side = watch_point.side OR part_fit.side = '')
        AND (part_fit.tenths <= watch_point.tenths OR watch_point.is_now)
    INNER JOIN family_part
        ON family_part.fault = $fault AND family_part.component = part_fit.component AND family_part.side = part_fit.side
    WHERE part_fit.moment < $as_of_end
)
SELECT
    watch_point.machine_id,
    watch_point.side,
    watch_point.tenths,
    watch_point.is_now,
    watch_point.site,
    watch_point.model,
    watch_point.build_year,
    fitted.component,
    fitted.variant,
    GREATEST(0, fitted.age_tenths) AS age_tenths
FROM watch_point
LEFT JOIN fitted
    ON fitted.machine_id = watch_point.machine_id
    AND fitted.side = watch_point.side
    AND fitted.tenths = watch_point.tenths
    AND fitted.is_now = watch_point.is_now
    AND fitted.latest = 1
ORDER BY watch_point.is_now DESC, watch_point.machine_id, watch_point.side, watch_point.tenths, fitted.component
