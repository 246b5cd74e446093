-- One row for each file, branch and day: how many rows the file brought that the branch wrote down on that day.
-- Every version taken in counts, those recorded after the as-of date apart. The day is that of the record, not of the
-- event: corrections of older events and bookings for later ones do not spread a night's file over many days.
-- A follow-up is its visit's branch's; those of no known visit are nobody's, and do not count.
-- grain: file_id, branch_id, recorded_on
-- reads: file, stg_file_rows, stg_procedures, stg_follow_ups, stg_revisits, stg_sales, follow_ups, visits
-- params: as_of
-- columns:
--   file_id integer: the file; of two, the one taken in later has the higher number
--   file varchar: path relative to the inbox
--   table_name varchar: the table it is of
--   sha256 varchar: of its bytes
--   loaded_at timestamp: when it was taken in, in UTC
--   branch_id varchar: the branch
--   recorded_on date: the local day on which the rows were recorded
--   rows bigint: how many
with versions as (
  select 'procedures' as table_name, seq, branch_id, recorded_on from stg_procedures
  union all
  select 'revisits', seq, branch_id, recorded_on from stg_revisits
  union all
  select 'sales', seq, branch_id, recorded_on from stg_sales
  union all
  select 'follow_ups', version.seq, v.branch_id, version.recorded_on
  from stg_follow_ups version
  join follow_ups f on f.follow_up_id = version.follow_up_id
  join visits v on v.visit_id = f.visit_id
)
select f.file_id, f.path as file, f.table_name, f.sha256, f.loaded_at, v.branch_id, v.recorded_on, count(*) as rows
from versions v
join stg_file_rows r on r.table_name = v.table_name and r.seq = v.seq
join file f on f.file_id = r.file_id
where v.recorded_on <= $as_of
group by f.file_id, f.path, f.table_name, f.sha256, f.loaded_at, v.branch_id, v.recorded_on
