-- One row for each version of a piercing's record, with its times in UTC and its days by the branch's calendar.
-- grain: seq
-- reads: raw_procedures, stg_branches
-- params: timezone
-- columns:
--   seq bigint: the order in which versions were taken in
--   procedure_id varchar: the piercing
--   visit_id varchar: the client's stay
--   client_key varchar: the client's pseudonym
--   branch_id varchar: the branch
--   practitioner_id varchar: who pierced, as recorded
--   performed_at timestamp: when, in UTC
--   performed_on date: the local day
--   ear varchar: which ear
--   site varchar: the place on the ear
--   article_id varchar: the stud model
--   lot_no varchar: the pack's lot
--   pack_expiry date: the date on the pack
--   age_years bigint: the client's age
--   consent varchar: whose consent was recorded
--   aftercare_given varchar: what advice the client left with
--   immediate_event varchar: what happened during the piercing; empty for nothing
--   status varchar: completed, abandoned or void
--   recorded_at timestamp: when the version was recorded, in UTC
--   recorded_on date: the local day of that
--   zone varchar: the time zone of its days
select seq, procedure_id, visit_id, client_key, branch_id, practitioner_id,
  performed_at, local_day(performed_at, zone) as performed_on,
  ear, site, article_id, lot_no, pack_expiry, age_years, consent, aftercare_given,
  nullif(immediate_event, 'none') as immediate_event, coalesce(status, 'completed') as status,
  recorded_at, local_day(recorded_at, zone) as recorded_on, zone
from (
  select r.* replace (
      instant(r.performed_at, coalesce(b.zone, $timezone)) as performed_at,
      instant(coalesce(r.recorded_at, r.performed_at), coalesce(b.zone, $timezone)) as recorded_at
    ),
    coalesce(b.zone, $timezone) as zone
  from raw_procedures r
  left join stg_branches b using (branch_id)
) versions
