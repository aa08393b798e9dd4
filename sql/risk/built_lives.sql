-- purpose: lives of one component's first parts, those the machine left the factory with, by the month in which they were
--   built. A part put in later is of the design that was sold then, whatever the machine's date.
-- grain: one row a machine and side
-- inputs: component_life, machine, components, family_part
-- parameters: component, sites, build_years, machines (lists; NULL = all)
-- output: machine_id, side, make, built_month (12 * year + month - 1: of the part itself, else of the part it came in, else
--   of the machine; NULL: no date is known to the month), entry, hours (component age in tenths of a running hour; at risk
--   on (entry, hours]), failed
WITH first_life AS (
    SELECT component_life.*, machine.built_latest, machine.build_date
    FROM component_life
    INNER JOIN machine ON machine.machine_id = component_life.machine_id
    WHERE component_life.fit = 1
        AND component_life.how IN ('factory', 'listed')
        AND component_life.fitted_at <= CAST(machine.built_latest AS TIMESTAMP) + INTERVAL 31 DAY
),
carrier AS (
    SELECT DISTINCT part_of FROM family_part WHERE component = $component AND part_of <> ''
),
listed AS (
    SELECT
        first_life.machine_id,
        first_life.side,
        MIN(CASE WHEN components.component = $component THEN components.built_on END) AS part_built,
        MIN(CASE WHEN components.component <> $component THEN components.built_on END) AS carrier_built
    FROM first_life
    INNER JOIN components ON components.machine_id = first_life.machine_id
    LEFT JOIN carrier ON carrier.part_of = components.component
    WHERE LENGTH(components.built_on) >= 7
        AND components.fitted_on <= first_life.built_latest + INTERVAL 31 DAY
        AND (
            carrier.part_of IS NOT NULL
            OR (components.component = $component AND COALESCE(components.side, first_life.side) = first_life.side)
        )
    GROUP BY first_life.machine_id, first_life.side
),
dated AS (
    SELECT
        first_life.*,
        COALESCE(
            listed.part_built, listed.carrier_built, CASE WHEN LENGTH(first_life.build_date) >= 7 THEN first_life.build_date END
        ) AS built_on
    FROM first_life
    LEFT JOIN listed ON listed.machine_id = first_life.machine_id AND listed.side = first_life.side
)
SELECT
    machine_id,
    side,
    make,
    12 * CAST(SUBSTR(built_on, 1, 4) AS BIGINT) + CAST(SUBSTR(built_on, 6, 2) AS BIGINT) - 1 AS built_month,
    entry,
    hours,
    failed
FROM dated
ORDER BY machine_id, side
