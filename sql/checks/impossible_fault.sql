-- purpose: fault reports on machines that cannot have the fault.
-- grain: one row a report
-- inputs: fault_report, machine, source_file
-- unit: fault_report
-- output: fault, machine_id, control, machine_type, moment, file, row_no
SELECT
    fault_report.fault,
    fault_report.machine_id,
    machine.control,
    machine.machine_type,
    fault_report.moment,
    COALESCE(source_file.path, '') AS file,
    fault_report.row_no
FROM fault_report
INNER JOIN machine ON machine.machine_id = fault_report.machine_id
LEFT JOIN source_file ON source_file.file_id = fault_report.file_id
WHERE NOT fault_report.possible
ORDER BY fault_report.machine_id, fault_report.moment, fault_report.fault
