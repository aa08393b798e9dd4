-- purpose: everything that reported a fault of a family: codes, and work orders whose complaint names it.
-- grain: one row a fault family and report
-- inputs: machine, fault_codes, work_orders, work_lines, wording, family_machine, family_side, clock
-- parameters: as_of_end
-- output: fault, machine_id, side (as told; '' = not told), moment, tenths, origin ('code' or 'work_order'), spn, fmi,
--   code, text, occurrence_count, file_id, row_no, possible (FALSE: such a machine cannot have this fault, so the
--   row is a data error)
WITH order_side AS (
    -- A complaint that names no side speaks of the one that the order's own lines name.
    SELECT work_order_id, MIN(side) AS side
    FROM work_lines
    WHERE side IS NOT NULL
    GROUP BY work_order_id
    HAVING MIN(side) = MAX(side)
),
report AS (
    SELECT
        wording.fault,
        fault_codes.machine_id,
        COALESCE(fault_codes.side, wording.side) AS side,
        fault_codes.seen_at AS moment,
        'code' AS origin,
        fault_codes.spn,
        fault_codes.fmi,
        fault_codes.code,
        fault_codes.description AS text,
        fault_codes.occurrence_count,
        fault_codes.file_id,
        fault_codes.row_no
    FROM fault_codes
    INNER JOIN wording
        ON wording.field = 'code'
        AND wording.spn IS NOT DISTINCT FROM fault_codes.spn
        AND wording.fmi IS NOT DISTINCT FROM fault_codes.fmi
        AND wording.code IS NOT DISTINCT FROM fault_codes.code
        AND wording.text IS NOT DISTINCT FROM fault_codes.description
    WHERE fault_codes.seen_at < $as_of_end
    UNION ALL
    SELECT
        wording.fault,
        work_orders.machine_id,
        COALESCE(NULLIF(wording.side, ''), order_side.side, ''),
        work_orders.opened_at,
        'work_order',
        NULL,
        NULL,
        NULL,
        work_orders.complaint,
        NULL,
        work_orders.file_id,
        work_orders.row_no
    FROM work_orders
    INNER JOIN wording ON wording.field = 'complaint' AND wording.text = work_orders.complaint
    LEFT JOIN order_side ON order_side.work_order_id = work_orders.work_order_id
    WHERE work_orders.opened_at < $as_of_end AND COALESCE(work_orders.status, '') <> 'cancelled'
)
SELECT
    report.fault,
    report.machine_id,
    COALESCE(family_side.side, '') AS side,
    report.moment,
    clock.tenths,
    report.origin,
    report.spn,
    report.fmi,
    report.code,
    report.text,
    report.occurrence_count,
    report.file_id,
    report.row_no,
    family_machine.fault IS NOT NULL AS possible
FROM report
INNER JOIN machine ON machine.machine_id = report.machine_id
INNER JOIN clock ON clock.machine_id = report.machine_id AND clock.moment = report.moment
LEFT JOIN family_side ON family_side.fault = report.fault AND family_side.side = report.side
LEFT JOIN family_machine
    ON family_machine.fault = report.fault
    AND family_machine.machine_type = COALESCE(machine.machine_type, '')
    AND family_machine.control = COALESCE(machine.control, '')
