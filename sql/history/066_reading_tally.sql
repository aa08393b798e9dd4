-- purpose: how many statements of running hours there are of each machine, for the checks that count against it.
-- grain: one row a machine with a statement
-- inputs: reading
-- output: machine_id, statements, days (with a statement)
SELECT machine_id, CAST(SUM(statements) AS BIGINT) AS statements, COUNT(*) AS days
FROM reading
GROUP BY machine_id
