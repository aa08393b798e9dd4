-- purpose: the machines of each site, and what a stretch of time cost there in work on a fault.
-- grain: one row a site ('' = not known)
-- inputs: machine, case_step, scoped_machine
-- parameters: fault, from_at, until_at, as_of_end, labour_rate (per labour hour, where a line has hours but no labour
--   cost), sites, build_years, machines (lists; NULL = all)
-- output: site, machines (not disposed of), cost
WITH listed AS (
    SELECT
        COALESCE(machine.site, '') AS site,
        COUNT(*) AS machines
    FROM machine
    INNER JOIN scoped_machine ON scoped_machine.machine_id = machine.machine_id
    WHERE machine.disposed_on IS NULL AND (machine.acquired_on IS NULL OR machine.acquired_on < $as_of_end)
    GROUP BY COALESCE(machine.site, '')
),

line AS (
    SELECT DISTINCT
        COALESCE(machine.site, '') AS site,
        case_step.work_order_id,
        case_step.line_no,
        -- Decimal sums are exact, so the order of rows cannot show.
        CAST(COALESCE(case_step.labour_cost, case_step.labour_hours * $labour_rate, 0.0) AS DECIMAL(18, 4))
        + CAST(COALESCE(case_step.parts_cost, 0.0) AS DECIMAL(18, 4)) AS cost
    FROM case_step
    INNER JOIN machine ON machine.machine_id = case_step.machine_id
    INNER JOIN scoped_machine ON scoped_machine.machine_id = machine.machine_id
    WHERE case_step.fault = $fault AND case_step.moment >= $from_at AND case_step.moment < $until_at
),

spent AS (
    SELECT
        site,
        CAST(SUM(cost) AS DOUBLE) AS cost
    FROM line
    GROUP BY site
)

SELECT
    COALESCE(listed.site, spent.site) AS site,
    COALESCE(listed.machines, 0) AS machines,
    COALESCE(spent.cost, 0.0) AS cost
FROM listed
FULL OUTER JOIN spent ON spent.site = listed.site
ORDER BY cost DESC, site
