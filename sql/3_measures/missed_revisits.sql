-- One row for each visit whose client did not come to the last revisit that was not cancelled or moved, as far as is known.
-- grain: visit_id
-- reads: stg_revisits, visits
-- params: as_of
-- columns:
--   visit_id varchar: the client's stay
--   revisit_id varchar: the booking
--   starts_on date: the local day it started
--   status varchar: no_show or unknown; still booked once past is unknown
with known as (
  select *
  from (
    select *, row_number() over (partition by revisit_id order by recorded_at desc, seq desc) as newness
    from stg_revisits
    where recorded_on <= $as_of
  ) versions
  where newness = 1
),
placed as (
  select k.visit_id, k.revisit_id, k.starts_on, case when k.status = 'booked' then 'unknown' else k.status end as status,
    row_number() over (partition by k.visit_id order by k.starts_at desc, k.revisit_id desc) as place
  from known k
  join visits v on v.visit_id = k.visit_id
  where k.status not in ('cancelled_early', 'cancelled_late', 'moved')
)
select visit_id, revisit_id, starts_on, status
from placed
where place = 1 and starts_on <= $as_of and status in ('no_show', 'unknown')
