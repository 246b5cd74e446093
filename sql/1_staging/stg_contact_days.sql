-- One row for each version of a follow-up that names no visit, and each time zone of the chain: when the contact was, by
-- that zone's calendar. Which visit such a follow-up belongs to depends on the day, and the day on the visit's zone.
-- grain: seq, zone
-- reads: raw_follow_ups, stg_branches
-- params: timezone
-- columns:
--   seq bigint: the version of the follow-up
--   zone varchar: the time zone
--   contacted_on date: the local day of the contact there
select f.seq, z.zone, local_day(instant(f.contacted_at, z.zone), z.zone) as contacted_on
from raw_follow_ups f
cross join (
  select zone from stg_branches
  union
  select $timezone
) z
where f.visit_id is null
