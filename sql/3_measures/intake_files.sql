-- One row for each file, table and content ever taken in, with the fates of its rows at its first load.
-- grain: file, table_name, sha256
-- reads: file
-- params:
-- columns:
--   file varchar: path relative to the inbox
--   table_name varchar: the table it is of
--   sha256 varchar: of the bytes as delivered
--   rows bigint: records
--   accepted bigint: taken in
--   rejected bigint: refused
--   duplicate bigint: known already
--   superseded bigint: older than a version known or in the same file
--   loaded_at timestamp: when, in UTC
--   undeclared varchar[]: names of columns dropped at the door
--   is_readable boolean: whether it could be read
select path as file, table_name, sha256, rows, accepted, rejected, duplicate, superseded, loaded_at, undeclared,
  is_readable
from file
