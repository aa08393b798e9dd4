-- purpose: the machines on the list, with their build period and the time over which their history was recorded.
-- grain: one row a machine that was in the fleet by the as-of date
-- inputs: machines, record, site_record
-- parameters: as_of_end (first instant that no longer counts), silence_days (a machine not heard of for longer was
--   observed until it was last heard of)
-- output: machine_id, pin, serial_number, make, model, machine_type, control, site, build_date, build_year,
--   built_earliest, built_latest (DATE), acquired_on, hours_at_acquisition, disposed_on, hours_at_disposal,
--   record_begins, record_ends (TIMESTAMP: failures between them would be on record), leaves ('disposed' or
--   'records_end')
WITH dated AS (
    SELECT
        machines.*,
        CAST(SUBSTR(build_date, 1, 4) AS INTEGER) AS build_year,
        CAST(CASE LENGTH(build_date) WHEN 4 THEN build_date || '-01-01' WHEN 7 THEN build_date || '-01' ELSE build_date END AS DATE)
            AS built_earliest,
        CAST(
            CASE LENGTH(build_date)
                WHEN 4 THEN build_date || '-12-31'
                WHEN 7 THEN CAST(LAST_DAY(CAST(build_date || '-01' AS DATE)) AS VARCHAR)
                ELSE build_date
            END AS DATE
        ) AS built_latest,
        record.first_at,
        COALESCE(record.last_at, CAST(machines.acquired_on AS TIMESTAMP)) AS heard_at
    FROM machines
    LEFT JOIN record ON record.machine_id = machines.machine_id
    WHERE machines.acquired_on IS NULL OR machines.acquired_on < $as_of_end
)
SELECT
    dated.machine_id,
    dated.pin,
    dated.serial_number,
    dated.make,
    dated.model,
    dated.machine_type,
    dated.control,
    dated.site,
    dated.build_date,
    dated.build_year,
    dated.built_earliest,
    dated.built_latest,
    dated.acquired_on,
    dated.hours_at_acquisition,
    CASE WHEN dated.disposed_on < $as_of_end THEN dated.disposed_on END AS disposed_on,
    CASE WHEN dated.disposed_on < $as_of_end THEN dated.hours_at_disposal END AS hours_at_disposal,
    CASE
        WHEN dated.acquired_on IS NULL THEN dated.first_at
        ELSE GREATEST(CAST(dated.acquired_on AS TIMESTAMP), COALESCE(site_record.first_at, CAST(dated.acquired_on AS TIMESTAMP)))
    END AS record_begins,
    LEAST(
        COALESCE(CAST(dated.disposed_on AS TIMESTAMP) + INTERVAL 1 DAY, $as_of_end),
        -- Silence that lasts too long tells nothing from its first day on.
        CASE
            WHEN dated.heard_at + $silence_days * INTERVAL 1 DAY < $as_of_end THEN dated.heard_at
            ELSE $as_of_end
        END
    ) AS record_ends,
    CASE WHEN dated.disposed_on < $as_of_end THEN 'disposed' ELSE 'records_end' END AS leaves
FROM dated
LEFT JOIN site_record ON site_record.site = COALESCE(dated.site, '')
