-- One row for each contact or revisit by which a branch asked after a visit and learned how its piercings were doing.
-- grain: table_name, id
-- reads: follow_ups, stg_revisits
-- params: as_of
-- columns:
--   table_name varchar: follow_ups or revisits
--   id varchar: the contact or the booking
--   visit_id varchar: the visit
--   answered_on date: the local day of the answer
--   recorded_on date: the local day from which the answer was on record
select 'follow_ups' as table_name, follow_up_id as id, visit_id, contacted_on as answered_on,
  greatest(first_recorded_on, contacted_on) as recorded_on
from follow_ups
where visit_id is not null and is_asked and outcome in ('well', 'complication')
union all
select 'revisits', revisit_id, visit_id, starts_on, greatest(attended_recorded_on, starts_on)
from (
  select *, row_number() over (partition by revisit_id order by recorded_at desc, seq desc) as newness,
    min(recorded_on) over (partition by revisit_id, status) as attended_recorded_on
  from stg_revisits
  where recorded_on <= $as_of
) versions
where newness = 1 and status = 'attended' and coalesce(purpose, 'check') <> 'problem'
