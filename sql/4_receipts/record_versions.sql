-- One row for each version taken in of a piercing, follow-up, revisit or receipt line, with where it was delivered and
-- whether it is the one that is known by the as-of date.
-- grain: table_name, seq
-- reads: stg_procedures, stg_follow_ups, stg_revisits, stg_sales, stg_file_rows, file
-- params: as_of
-- columns:
--   table_name varchar: the table
--   seq bigint: the order in which the table's versions were taken in
--   id varchar: its key; of a receipt line the receipt
--   line_no bigint: the line on the receipt
--   visit_id varchar: the visit it names
--   branch_id varchar: the branch it names
--   told_on date: the local day it is about
--   status varchar: what it says became of it; of a receipt line what kind it is
--   standing varchar: known, superseded by the known one, or later: recorded after the as-of date
--   file_id integer: the file it was delivered in
--   file varchar: path of that, relative to the inbox
--   sha256 varchar: of that file's bytes
--   line bigint: the record's first line in it
with versions as (
  select 'procedures' as table_name, seq, procedure_id as id, cast(null as bigint) as line_no, visit_id, branch_id,
    performed_on as told_on, status, recorded_on, recorded_at
  from stg_procedures
  union all
  select 'follow_ups', seq, follow_up_id, null, visit_id, null, contacted_on, outcome, recorded_on, recorded_at
  from stg_follow_ups
  union all
  select 'revisits', seq, revisit_id, null, visit_id, branch_id, starts_on, status, recorded_on, recorded_at
  from stg_revisits
  union all
  select 'sales', seq, sale_id, line_no, visit_id, branch_id, sold_on, line_type, recorded_on, recorded_at
  from stg_sales
)
select v.table_name, v.seq, v.id, v.line_no, v.visit_id, v.branch_id, v.told_on, v.status,
  case
    when v.recorded_on > $as_of then 'later'
    when row_number() over (
      partition by v.table_name, v.id, v.line_no, v.recorded_on <= $as_of
      order by v.recorded_at desc, v.seq desc
    ) = 1 then 'known'
    else 'superseded'
  end as standing,
  f.file_id, f.path as file, f.sha256, r.line
from versions v
join stg_file_rows r on r.table_name = v.table_name and r.seq = v.seq
join file f on f.file_id = r.file_id
