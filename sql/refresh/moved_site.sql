-- purpose: machines whose site now has records of another first day, so that their own observation may begin elsewhere.
-- grain: one row a machine
-- inputs: machines, site_record, site_record_now
-- output: machine_id
SELECT machines.machine_id
FROM machines
LEFT JOIN site_record ON site_record.site = COALESCE(machines.site, '')
LEFT JOIN site_record_now ON site_record_now.site = COALESCE(machines.site, '')
WHERE machines.acquired_on IS NOT NULL AND site_record.first_at IS DISTINCT FROM site_record_now.first_at
