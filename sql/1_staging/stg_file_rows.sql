-- One row for each version taken in of a piercing, follow-up, revisit or sale, with the place it was delivered in.
-- grain: table_name, seq
-- reads: raw_procedures, raw_follow_ups, raw_revisits, raw_sales
-- params:
-- columns:
--   table_name varchar: the table it is of
--   seq bigint: the order in which the table's versions were taken in
--   file_id integer: the file
--   line bigint: the record's first line in it
select 'procedures' as table_name, seq, file_id, line from raw_procedures
union all
select 'follow_ups', seq, file_id, line from raw_follow_ups
union all
select 'revisits', seq, file_id, line from raw_revisits
union all
select 'sales', seq, file_id, line from raw_sales
