-- purpose: when a followed part was fitted: at the factory, by the yard's own list, by a replacement, or together with
--   the larger part it belongs to. Statements within a week tell of one fitting where they are of one order, of an order that
--   was open already when the other's work was done, of work between which the machine did not run, or of the list and an
--   order, unless they find parts failed in different ways; all others within a week tell of a part that lived for days.
-- grain: one row a machine, component, side and fitting
-- inputs: machine, components, work_orders, work_step, clock, family_part, family_machine, design_change, part_failure
-- parameters: as_of_end
-- output: machine_id, component, side, fit (1 = first), moment, tenths (running hours of the machine), variant (NULL = not
--   known), how ('factory', 'listed', 'replaced', 'with_parent'), inferred (TRUE: from the build date alone), old_failed
--   (the part taken out had failed), old_finding
WITH followed AS (
    SELECT DISTINCT machine.machine_id, family_part.component, family_part.side, family_part.part_of
    FROM machine
    INNER JOIN family_machine
        ON family_machine.machine_type = COALESCE(machine.machine_type, '')
        AND family_machine.control = COALESCE(machine.control, '')
    INNER JOIN family_part ON family_part.fault = family_machine.fault
),
listed AS (
    SELECT
        components.machine_id,
        components.component,
        components.side,
        components.variant,
        CAST(components.fitted_on AS TIMESTAMP) AS moment,
        CAST(ROUND(components.fitted_hours * 10) AS BIGINT) AS fitted_tenths,
        CAST(CASE LENGTH(components.built_on) WHEN 4 THEN components.built_on || '-01-01' WHEN 7 THEN components.built_on || '-01'
            ELSE components.built_on END AS DATE) AS built,
        components.fitted_on <= machine.built_latest + INTERVAL 31 DAY AS from_factory
    FROM components
    INNER JOIN machine ON machine.machine_id = components.machine_id
    WHERE components.fitted_on < $as_of_end
),
-- The date that decides the design: of the part itself, else of the part it came in, else of the machine.
factory_built AS (
    SELECT followed.machine_id, followed.component, followed.side, COALESCE(MIN(listed.built), MIN(machine.built_earliest)) AS built
    FROM followed
    INNER JOIN machine ON machine.machine_id = followed.machine_id
    LEFT JOIN listed
        ON listed.machine_id = followed.machine_id AND listed.component = followed.part_of AND listed.from_factory
    GROUP BY followed.machine_id, followed.component, followed.side
),
fitting AS (
    SELECT
        factory_built.machine_id,
        factory_built.component,
        factory_built.side,
        CAST(machine.built_earliest AS TIMESTAMP) AS moment,
        CAST(0 AS BIGINT) AS tenths,
        CAST(NULL AS VARCHAR) AS variant,
        factory_built.built,
        TRUE AS from_factory,
        'factory' AS how,
        factory_built.component AS told_of,
        CAST(NULL AS VARCHAR) AS work_order_id,
        CAST(NULL AS TIMESTAMP) AS opened_at,
        CAST(NULL AS VARCHAR) AS old_finding,
        FALSE AS old_failed
    FROM factory_built
    INNER JOIN machine ON machine.machine_id = factory_built.machine_id
    LEFT JOIN listed
        ON listed.machine_id = factory_built.machine_id
        AND listed.component = factory_built.component
        AND (listed.side = factory_built.side OR listed.side IS NULL)
        AND listed.from_factory
    WHERE listed.machine_id IS NULL AND machine.built_earliest IS NOT NULL
    UNION ALL
    SELECT
        followed.machine_id,
        followed.component,
        followed.side,
        listed.moment,
        CASE WHEN listed.from_factory THEN COALESCE(listed.fitted_tenths, 0) ELSE COALESCE(listed.fitted_tenths, clock.tenths) END,
        CASE WHEN listed.component = followed.component THEN listed.variant END,
        COALESCE(listed.built, CAST(listed.moment AS DATE)),
        listed.from_factory,
        CASE WHEN listed.component = followed.component THEN 'listed' ELSE 'with_parent' END,
        listed.component,
        NULL,
        NULL,
        NULL,
        FALSE
    FROM followed
    INNER JOIN listed
        ON listed.machine_id = followed.machine_id
        AND (
            (listed.component = followed.component AND COALESCE(listed.side, followed.side) = followed.side)
            OR (listed.component = followed.part_of AND NOT listed.from_factory)
        )
    LEFT JOIN clock ON clock.machine_id = listed.machine_id AND clock.moment = listed.moment
    WHERE listed.from_factory OR listed.fitted_tenths IS NOT NULL OR clock.tenths IS NOT NULL
    UNION ALL
    SELECT
        followed.machine_id,
        followed.component,
        followed.side,
        work_step.moment,
        work_step.tenths,
        CASE WHEN work_step.component = followed.component THEN work_step.variant END,
        CAST(work_step.moment AS DATE),
        FALSE,
        CASE WHEN work_step.component = followed.component THEN 'replaced' ELSE 'with_parent' END,
        work_step.component,
        work_step.work_order_id,
        work_orders.opened_at,
        CASE WHEN work_step.component = followed.component THEN work_step.finding END,
        -- Which side's part was found so must be told, or nothing is known of either.
        work_step.component = followed.component AND work_step.side = followed.side AND part_failure.finding IS NOT NULL
    FROM followed
    INNER JOIN work_step
        ON work_step.machine_id = followed.machine_id
        AND work_step.action IN ('replace', 'overhaul')
        AND (
            (work_step.component = followed.component AND (work_step.side = followed.side OR work_step.side = ''))
            OR work_step.component = followed.part_of
        )
    INNER JOIN work_orders ON work_orders.work_order_id = work_step.work_order_id
    LEFT JOIN part_failure ON part_failure.component = followed.component AND part_failure.finding = work_step.finding
),
-- What the list tells of the same fitting as an order comes with it; a part of the factory is none of a later order's.
beside_order AS (
    SELECT
        noted.machine_id,
        noted.component,
        noted.side,
        noted.moment,
        noted.told_of,
        worked.moment AS worked_at,
        ROW_NUMBER() OVER (
            PARTITION BY noted.machine_id, noted.component, noted.side, noted.moment, noted.told_of
            ORDER BY GREATEST(noted.moment - worked.moment, worked.moment - noted.moment), worked.moment
        ) AS nearest
    FROM fitting AS noted
    INNER JOIN fitting AS worked
        ON worked.machine_id = noted.machine_id
        AND worked.component = noted.component
        AND worked.side = noted.side
        AND worked.work_order_id IS NOT NULL
        AND noted.moment - worked.moment <= INTERVAL 7 DAY
        AND (worked.moment <= noted.moment OR (worked.moment - noted.moment <= INTERVAL 7 DAY AND NOT noted.from_factory))
    WHERE noted.work_order_id IS NULL
),
placed AS (
    SELECT
        fitting.*,
        fitting.work_order_id IS NOT NULL AS ordered,
        COALESCE(beside_order.worked_at, fitting.moment) AS place,
        beside_order.worked_at IS NOT NULL AS comes_with_order
    FROM fitting
    LEFT JOIN beside_order
        ON fitting.work_order_id IS NULL
        AND beside_order.machine_id = fitting.machine_id
        AND beside_order.component = fitting.component
        AND beside_order.side = fitting.side
        AND beside_order.moment = fitting.moment
        AND beside_order.told_of = fitting.told_of
        AND beside_order.nearest = 1
),
after AS (
    SELECT
        *,
        LAG(moment) OVER one_book AS last_moment,
        LAG(tenths) OVER one_book AS last_tenths,
        LAG(work_order_id) OVER one_book AS last_order,
        LAG(told_of) OVER one_book AS last_told_of,
        LAG(CASE WHEN old_failed THEN old_finding END) OVER one_book AS last_failure
    FROM placed
    WINDOW one_book AS (
        PARTITION BY machine_id, component, side, ordered, comes_with_order ORDER BY moment, how, work_order_id, told_of, old_finding
    )
),
gapped AS (
    SELECT
        *,
        CASE
            WHEN comes_with_order THEN 0
            WHEN last_moment IS NULL OR moment - last_moment > INTERVAL 7 DAY THEN 1
            WHEN NOT ordered THEN CASE WHEN moment > last_moment AND told_of = last_told_of THEN 1 ELSE 0 END
            WHEN moment > last_moment AND old_failed AND old_finding <> last_failure THEN 1
            WHEN work_order_id = last_order OR opened_at <= last_moment OR tenths = last_tenths THEN 0
            ELSE 1
        END AS begins
    FROM after
),
told AS (
    SELECT
        *,
        SUM(begins) OVER (
            PARTITION BY machine_id, component, side
            ORDER BY place, comes_with_order, moment, how, work_order_id, told_of, old_finding
            ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ) AS fit
    FROM gapped
),
fitted AS (
    SELECT
        machine_id,
        component,
        side,
        CAST(fit AS BIGINT) AS fit,
        MAX(moment) AS moment,
        MAX(tenths) AS tenths,
        MAX(variant) AS variant,
        MIN(built) AS built,
        BOOL_AND(from_factory) AS from_factory,
        MAX(CASE how WHEN 'replaced' THEN 4 WHEN 'listed' THEN 3 WHEN 'with_parent' THEN 2 ELSE 1 END) AS how_rank,
        BOOL_OR(old_failed) AS old_failed,
        MAX(CASE WHEN old_failed THEN old_finding END) AS old_finding
    FROM told
    GROUP BY machine_id, component, side, fit
),
by_design AS (
    SELECT
        fitted.machine_id,
        fitted.component,
        fitted.side,
        fitted.fit,
        design_change.variant,
        ROW_NUMBER() OVER (
            PARTITION BY fitted.machine_id, fitted.component, fitted.side, fitted.fit ORDER BY design_change.precedence DESC
        ) AS place
    FROM fitted
    INNER JOIN machine ON machine.machine_id = fitted.machine_id
    INNER JOIN design_change
        ON design_change.component = fitted.component
        AND design_change.spare <> fitted.from_factory
        AND (design_change.make IS NULL OR LOWER(machine.make) = design_change.make)
        AND (design_change.model IS NULL OR LOWER(machine.model) = design_change.model)
        AND (design_change.serial_pattern IS NULL OR machine.serial_number LIKE design_change.serial_pattern)
        AND (design_change.serial_from IS NULL OR machine.serial_number >= design_change.serial_from)
        AND (design_change.serial_to IS NULL OR machine.serial_number <= design_change.serial_to)
        AND (design_change.built_from IS NULL OR fitted.built >= design_change.built_from)
        AND (design_change.built_to IS NULL OR fitted.built <= design_change.built_to)
)
SELECT
    fitted.machine_id,
    fitted.component,
    fitted.side,
    fitted.fit,
    fitted.moment,
    fitted.tenths,
    COALESCE(fitted.variant, by_design.variant) AS variant,
    CASE fitted.how_rank WHEN 4 THEN 'replaced' WHEN 3 THEN 'listed' WHEN 2 THEN 'with_parent' ELSE 'factory' END AS how,
    fitted.how_rank = 1 AS inferred,
    fitted.old_failed,
    fitted.old_finding
FROM fitted
LEFT JOIN by_design
    ON by_design.machine_id = fitted.machine_id
    AND by_design.component = fitted.component
    AND by_design.side = fitted.side
    AND by_design.fit = fitted.fit
    AND by_design.place = 1
