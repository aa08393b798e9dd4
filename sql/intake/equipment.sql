-- purpose: the machines of a telematics document, each matched with those of the store by PIN, then by serial
--          number, then by equipment id; one that matches none becomes a new machine under its equipment id, or
--          its serial number, or its PIN.
-- grain: one row an equipment header of the document
-- inputs: machines (and the file of headers: number, equipment id, serial number, PIN, make, model; no heading line)
-- parameters: path (the file of headers)
-- output: n (number of the header), machine_id, problem (why the header cannot be used; NULL = it can), doubt (why it
--         makes no new machine; NULL = nothing), pin,
--         serial_number, make, model (of a matched machine as the store has them: a header corrects nothing)
WITH headers AS (
    SELECT CAST(n AS BIGINT) AS n, equipment_id, serial_number, pin, make, model
    FROM read_csv($path, auto_detect = false, header = false, delim = ',', quote = '"', escape = '"',
                  columns = {n: 'VARCHAR', equipment_id: 'VARCHAR', serial_number: 'VARCHAR', pin: 'VARCHAR',
                             make: 'VARCHAR', model: 'VARCHAR'},
                  new_line = '\n', compression = 'none', max_line_size = 8000000)
),
listed AS (
    SELECT
        machine_id,
        upper(pin) AS pin,
        upper(serial_number) AS serial_number,
        lower(make) AS make
    FROM machines
),
-- A PIN, or a serial number, that two machines bear identifies neither. Short serial numbers stand in PINs.
by_pin AS (
    SELECT h.n, min(m.machine_id) AS machine_id
    FROM headers AS h
    JOIN listed AS m ON upper(h.pin) = m.pin OR upper(h.pin) = m.serial_number
    GROUP BY h.n
    HAVING count(*) = 1
),
by_serial_number AS (
    SELECT h.n, min(m.machine_id) AS machine_id
    FROM headers AS h
    JOIN listed AS m
        ON (upper(h.serial_number) = m.serial_number OR upper(h.serial_number) = m.pin)
        AND (h.make IS NULL OR m.make IS NULL OR lower(h.make) = m.make)
    GROUP BY h.n
    HAVING count(*) = 1
),
-- A unit number that was given to another machine later: both PINs are whole and differ.
by_equipment_id AS (
    SELECT
        h.n,
        m.machine_id,
        coalesce(m.pin <> upper(h.pin) AND length(m.pin) = 17 AND length(h.pin) = 17, false) AS is_another
    FROM headers AS h
    JOIN listed AS m ON m.machine_id = h.equipment_id
),
-- Headers of one machine within the document, for those that the store does not know. Makers number their machines each
-- for himself: a serial number alone names a machine only where nobody else's machine bears it.
named AS (
    SELECT
        h.*,
        coalesce(
            h.equipment_id,
            CASE
                WHEN
                    h.make IS NOT NULL
                    AND (
                        EXISTS (
                            SELECT 1 FROM headers AS o
                            WHERE upper(o.serial_number) = upper(h.serial_number) AND lower(o.make) <> lower(h.make)
                        )
                        OR EXISTS (
                            SELECT 1 FROM listed AS l
                            WHERE l.machine_id = h.serial_number AND l.make <> lower(h.make)
                        )
                    )
                    THEN concat(h.serial_number, ' ', h.make)
                ELSE h.serial_number
            END,
            h.pin
        ) AS own_name
    FROM headers AS h
),
together AS (
    SELECT
        n,
        first_value(own_name) OVER (
            PARTITION BY coalesce(
                upper(pin), upper(serial_number) || '/' || lower(coalesce(make, '')), equipment_id
            )
            ORDER BY n
        ) AS machine_id
    FROM named
),
-- Numbers as they are compared for likeness: letters in front, and what follows without leading zeros.
spelt AS (
    SELECT
        machine_id,
        regexp_extract(lower(regexp_replace(machine_id, '[^A-Za-z0-9]', '', 'g')), '^[a-z]*') AS letters,
        regexp_replace(lower(regexp_replace(machine_id, '[^A-Za-z0-9]', '', 'g')), '^[a-z]*0*', '') AS rest
    FROM (SELECT machine_id FROM listed UNION SELECT machine_id FROM together)
),
alike AS (
    SELECT new.machine_id, min(old.machine_id) AS looks_like
    FROM spelt AS new
    JOIN spelt AS old
        ON old.rest = new.rest AND (old.letters = new.letters OR old.letters = '' OR new.letters = '')
    JOIN listed ON listed.machine_id = old.machine_id
    WHERE new.machine_id <> old.machine_id AND new.machine_id NOT IN (SELECT machine_id FROM listed)
    GROUP BY new.machine_id
    HAVING count(*) = 1
),
matched AS (
    SELECT
        h.*,
        coalesce(p.machine_id, s.machine_id, i.machine_id) AS known_as,
        t.machine_id AS new_as,
        p.machine_id IS NULL AND s.machine_id IS NULL AND coalesce(i.is_another, false) AS is_another
    FROM headers AS h
    JOIN together AS t ON t.n = h.n
    LEFT JOIN by_pin AS p ON p.n = h.n
    LEFT JOIN by_serial_number AS s ON s.n = h.n
    LEFT JOIN by_equipment_id AS i ON i.n = h.n
)
SELECT
    h.n,
    coalesce(h.known_as, h.new_as) AS machine_id,
    CASE
        WHEN h.is_another THEN concat(
            'equipment id ''', h.equipment_id, ''' belongs to a machine with another PIN than ''', h.pin,
            '''; correct the machine list or the portal'
        )
        WHEN coalesce(h.known_as, h.new_as) IS NULL
            THEN 'the equipment has neither PIN nor serial number nor equipment id; give it one in the portal'
    END AS problem,
    -- A machine of its own would split the history of the one that is meant; its rows wait.
    CASE
        WHEN h.known_as IS NULL AND a.looks_like IS NOT NULL THEN concat(
            'machine ''', h.new_as, ''' is not on the list and looks like ''', a.looks_like,
            '''; write it so in the portal, or put it on the list'
        )
    END AS doubt,
    CASE WHEN m.machine_id IS NULL THEN max(h.pin) OVER same_machine ELSE m.pin END AS pin,
    CASE WHEN m.machine_id IS NULL THEN max(h.serial_number) OVER same_machine ELSE m.serial_number
    END AS serial_number,
    CASE WHEN m.machine_id IS NULL THEN max(h.make) OVER same_machine ELSE m.make END AS make,
    CASE WHEN m.machine_id IS NULL THEN max(h.model) OVER same_machine ELSE m.model END AS model
FROM matched AS h
LEFT JOIN alike AS a ON a.machine_id = h.new_as
LEFT JOIN machines AS m ON m.machine_id = h.known_as
WINDOW same_machine AS (PARTITION BY h.new_as)
ORDER BY h.n
