-- purpose: what each machine ran, how long it was in the fleet, and what was done on it over a stretch of time. An order
--   is corrective when it mends something: a repair, a part found faulty, a test failed, or a step of a reported fault;
--   any other order is preventive.
-- grain: one row a machine that was in the fleet during that time
-- inputs: scoped_machine, running_hours, work_step, work_orders, case_step
-- parameters: from_at, until_at (that time), labour_rate (money a labour hour, for lines that record none), sites,
--   build_years, machines (lists; NULL = all)
-- output: machine_id, site, make, model, machine_type, build_year, calendar_hours, running_hours, corrective_orders,
--   preventive_orders, restored_orders (corrective ones that are closed), restoration_hours (of those, from opening to
--   closing), down_hours (of all orders, within that time), corrective_labour, preventive_labour, corrective_cost,
--   preventive_cost
WITH stay AS (
    SELECT
        machine_id,
        site,
        make,
        model,
        machine_type,
        build_year,
        GREATEST(record_begins, $from_at) AS from_at,
        LEAST(record_ends, $until_at) AS to_at
    FROM scoped_machine
    WHERE record_begins < $until_at AND record_ends > $from_at
),
-- The readings around both ends; the curve never falls, so the greatest before an end is the last one.
around AS (
    SELECT
        stay.machine_id,
        MIN(EPOCH(stay.from_at)) AS from_seconds,
        MIN(EPOCH(stay.to_at)) AS to_seconds,
        MAX(CASE WHEN at_seconds <= EPOCH(stay.from_at) THEN at_seconds END) AS before_from_at,
        MAX(CASE WHEN at_seconds <= EPOCH(stay.from_at) THEN tenths END) AS before_from,
        MIN(CASE WHEN at_seconds > EPOCH(stay.from_at) THEN at_seconds END) AS after_from_at,
        MIN(CASE WHEN at_seconds > EPOCH(stay.from_at) THEN tenths END) AS after_from,
        MAX(CASE WHEN at_seconds <= EPOCH(stay.to_at) THEN at_seconds END) AS before_to_at,
        MAX(CASE WHEN at_seconds <= EPOCH(stay.to_at) THEN tenths END) AS before_to,
        MIN(CASE WHEN at_seconds > EPOCH(stay.to_at) THEN at_seconds END) AS after_to_at,
        MIN(CASE WHEN at_seconds > EPOCH(stay.to_at) THEN tenths END) AS after_to
    FROM stay
    INNER JOIN running_hours ON running_hours.machine_id = stay.machine_id
    GROUP BY stay.machine_id
),
ran AS (
    SELECT
        machine_id,
        COALESCE(
            before_to + CAST(after_to - before_to AS DOUBLE) * (to_seconds - before_to_at) / (after_to_at - before_to_at),
            before_to, 0
        ) - COALESCE(
            before_from + CAST(after_from - before_from AS DOUBLE) * (from_seconds - before_from_at)
                / (after_from_at - before_from_at),
            before_from, after_from, 0
        ) AS tenths
    FROM around
),
mending AS (
    SELECT work_order_id
    FROM work_step
    WHERE action = 'repair' OR result = 'failed' OR (finding IS NOT NULL AND finding <> 'no_fault_found')
    UNION
    SELECT work_order_id FROM case_step
),
job AS (
    SELECT
        stay.machine_id,
        work_orders.work_order_id,
        mending.work_order_id IS NOT NULL AS corrective,
        CASE WHEN work_orders.closed_at > work_orders.opened_at
            THEN (EPOCH(work_orders.closed_at) - EPOCH(work_orders.opened_at)) / 3600 END AS open_hours,
        -- An order closed on a day that nobody wrote down says nothing of the time it took.
        CASE WHEN work_orders.closed_at IS NOT NULL OR work_orders.status = 'open'
            THEN (EPOCH(LEAST(COALESCE(work_orders.closed_at, stay.to_at), stay.to_at)) - EPOCH(work_orders.opened_at)) / 3600
        END AS down_hours
    FROM stay
    INNER JOIN work_orders
        ON work_orders.machine_id = stay.machine_id
        AND work_orders.opened_at >= stay.from_at
        AND work_orders.opened_at < stay.to_at
    LEFT JOIN mending ON mending.work_order_id = work_orders.work_order_id
    WHERE COALESCE(work_orders.status, '') <> 'cancelled'
),
effort AS (
    SELECT
        work_order_id,
        -- Sums of decimals do not depend on the order of rows.
        SUM(CAST(COALESCE(labour_hours, 0.0) AS DECIMAL(18, 4))) AS labour_hours,
        SUM(CAST(COALESCE(labour_cost, labour_hours * $labour_rate, 0.0) + COALESCE(parts_cost, 0.0) AS DECIMAL(18, 4))) AS cost
    FROM work_step
    GROUP BY work_order_id
),
done AS (
    SELECT
        job.machine_id,
        SUM(CASE WHEN corrective THEN 1 ELSE 0 END) AS corrective_orders,
        SUM(CASE WHEN corrective THEN 0 ELSE 1 END) AS preventive_orders,
        SUM(CASE WHEN corrective AND open_hours IS NOT NULL THEN 1 ELSE 0 END) AS restored_orders,
        SUM(CAST(CASE WHEN corrective THEN COALESCE(open_hours, 0.0) ELSE 0.0 END AS DECIMAL(18, 4))) AS restoration_hours,
        SUM(CAST(GREATEST(COALESCE(down_hours, 0.0), 0.0) AS DECIMAL(18, 4))) AS down_hours,
        SUM(CASE WHEN corrective THEN COALESCE(effort.labour_hours, 0.0) ELSE 0.0 END) AS corrective_labour,
        SUM(CASE WHEN corrective THEN 0.0 ELSE COALESCE(effort.labour_hours, 0.0) END) AS preventive_labour,
        SUM(CASE WHEN corrective THEN COALESCE(effort.cost, 0.0) ELSE 0.0 END) AS corrective_cost,
        SUM(CASE WHEN corrective THEN 0.0 ELSE COALESCE(effort.cost, 0.0) END) AS preventive_cost
    FROM job
    LEFT JOIN effort ON effort.work_order_id = job.work_order_id
    GROUP BY job.machine_id
)
SELECT
    stay.machine_id,
    COALESCE(stay.site, 'unknown') AS site,
    COALESCE(stay.make, 'unknown') AS make,
    COALESCE(stay.model, 'unknown') AS model,
    COALESCE(stay.machine_type, 'unknown') AS machine_type,
    stay.build_year,
    (EPOCH(stay.to_at) - EPOCH(stay.from_at)) / 3600 AS calendar_hours,
    GREATEST(COALESCE(ran.tenths, 0.0), 0.0) / 10 AS running_hours,
    CAST(COALESCE(done.corrective_orders, 0) AS BIGINT) AS corrective_orders,
    CAST(COALESCE(done.preventive_orders, 0) AS BIGINT) AS preventive_orders,
    CAST(COALESCE(done.restored_orders, 0) AS BIGINT) AS restored_orders,
    CAST(COALESCE(done.restoration_hours, 0) AS DOUBLE) AS restoration_hours,
    LEAST(CAST(COALESCE(done.down_hours, 0) AS DOUBLE), (EPOCH(stay.to_at) - EPOCH(stay.from_at)) / 3600) AS down_hours,
    CAST(COALESCE(done.corrective_labour, 0) AS DOUBLE) AS corrective_labour,
    CAST(COALESCE(done.preventive_labour, 0) AS DOUBLE) AS preventive_labour,
    CAST(COALESCE(done.corrective_cost, 0) AS DOUBLE) AS corrective_cost,
    CAST(COALESCE(done.preventive_cost, 0) AS DOUBLE) AS preventive_cost
FROM stay
LEFT JOIN ran ON ran.machine_id = stay.machine_id
LEFT JOIN done ON done.machine_id = stay.machine_id
ORDER BY stay.machine_id
