-- One row for each rule that a row or file breaks, as long as it stands rejected.
-- grain: file, sha256, table_name, line, column_name, rule
-- reads: rejection, file
-- params:
-- columns:
--   file varchar: path relative to the inbox
--   sha256 varchar: of its bytes
--   table_name varchar: the table it is of
--   line bigint: the record's first line; 0 for the whole file
--   rule varchar: the rule broken
--   column_name varchar: the column it was broken in
--   value_shape varchar: the shape of the value, letters as a, digits as 9
--   detail varchar: what the remedy has to say besides
select f.path as file, f.sha256, f.table_name, r.line, r.rule, r.column_name, r.value_shape, r.detail
from rejection r
join file f on f.file_id = r.file_id
