-- purpose: marks the file as a store of this project; one fact a row.
-- grain: one row a key
-- inputs: none
-- output: key, value
CREATE TABLE store_info (
    key   VARCHAR NOT NULL,
    value VARCHAR NOT NULL
);
