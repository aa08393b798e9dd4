-- purpose: in how many parts the machines are worked off, so that none holds too many readings for the memory.
-- grain: one row
-- inputs: machines, meter_readings
-- output: machines, readings
SELECT (SELECT COUNT(*) FROM machines) AS machines, (SELECT COUNT(*) FROM meter_readings) AS readings
