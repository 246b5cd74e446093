-- One row for each due revisit: it starts on the as-of date or earlier and was neither cancelled early nor moved.
-- grain: revisit_id
-- reads: stg_revisits
-- params: as_of
-- columns:
--   revisit_id varchar: the booking
--   thread_id varchar: joins a booking with those it was moved to
--   visit_id varchar: the visit it follows
--   branch_id varchar: the branch
--   starts_on date: the local day it starts
--   week date: the Monday of its week
--   status varchar: attended, no_show, cancelled_late or unknown; still booked once past is unknown
--   is_kept_in_the_end boolean: whether the thread has an attended revisit by the as-of date
with known as (
  select *
  from (
    select *, row_number() over (partition by revisit_id order by recorded_at desc, seq desc) as newness
    from stg_revisits
    where recorded_on <= $as_of
  ) versions
  where newness = 1 and starts_on <= $as_of
),
kept as (
  select distinct thread_id from known where status = 'attended'
)
select k.revisit_id, k.thread_id, k.visit_id, k.branch_id, k.starts_on,
  cast(date_trunc('week', k.starts_on) as date) as week,
  case when k.status = 'booked' then 'unknown' else k.status end as status,
  kept.thread_id is not null as is_kept_in_the_end
from known k
left join kept on kept.thread_id = k.thread_id
where k.status not in ('cancelled_early', 'moved')
