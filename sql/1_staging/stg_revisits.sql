-- One row for each version of a booked revisit, with its days by its own branch's calendar.
-- grain: seq
-- reads: raw_revisits, stg_branches
-- params: timezone
-- columns:
--   seq bigint: the order in which versions were taken in
--   revisit_id varchar: the booking
--   thread_id varchar: joins a booking with those it was moved to; the booking itself where it stands alone
--   visit_id varchar: the visit it follows
--   branch_id varchar: the branch it is booked at
--   purpose varchar: what it is for
--   status varchar: what became of it
--   starts_at timestamp: when it starts, in UTC
--   starts_on date: the local day
--   recorded_at timestamp: when the version was recorded, in UTC
--   recorded_on date: the local day of that
--   has_recorded_at boolean: whether the row itself says when it was recorded
select seq, revisit_id, coalesce(thread_id, revisit_id) as thread_id, visit_id, branch_id, purpose, status,
  starts_at, local_day(starts_at, zone) as starts_on,
  recorded_at, local_day(recorded_at, zone) as recorded_on, has_recorded_at
from (
  select r.* replace (
      instant(r.starts_at, coalesce(b.zone, $timezone)) as starts_at,
      instant(coalesce(r.recorded_at, r.status_at, r.booked_at, r.starts_at), coalesce(b.zone, $timezone)) as recorded_at
    ),
    coalesce(b.zone, $timezone) as zone, r.recorded_at is not null as has_recorded_at
  from raw_revisits r
  left join stg_branches b using (branch_id)
) versions
