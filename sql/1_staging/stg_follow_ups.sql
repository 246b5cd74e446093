-- One row for each version of a follow-up, with its days by the calendar of the branch it is about.
-- A follow-up names no branch: it follows that of the visit it names, else of its procedure, else of its client.
-- grain: seq
-- reads: raw_follow_ups, stg_visit_zones, stg_procedure_zones, stg_client_zones
-- params: timezone
-- columns:
--   seq bigint: the order in which versions were taken in
--   follow_up_id varchar: the contact
--   visit_id varchar: the visit it names
--   procedure_id varchar: the piercing it names
--   client_key varchar: the client's pseudonym
--   contacted_at timestamp: when, in UTC
--   contacted_on date: the local day
--   channel varchar: how the contact was made
--   initiated_by varchar: whether the branch asked
--   outcome varchar: what came of it
--   complication varchar: the complication named
--   onset_on date: the day it began, as recorded
--   severity bigint: 0 expected healing to 4 lasting deformity
--   certainty varchar: possible, probable or confirmed
--   ear varchar: the ear the report names
--   site varchar: the site the report names
--   clinician_seen boolean: whether a clinician saw the client
--   stud_removed boolean: whether the stud was taken out
--   referred_same_day boolean: whether the client was sent to medical care that day
--   resolved_on date: the day it was over
--   recorded_at timestamp: when the version was recorded, in UTC
--   recorded_on date: the local day of that
select seq, follow_up_id, visit_id, procedure_id, client_key,
  contacted_at, local_day(contacted_at, zone) as contacted_on,
  channel, initiated_by, outcome, complication, onset_on, severity, certainty, ear, site, clinician_seen, stud_removed,
  referred_same_day, resolved_on,
  recorded_at, local_day(recorded_at, zone) as recorded_on
from (
  select r.* replace (
      instant(r.contacted_at, r.zone) as contacted_at,
      instant(coalesce(r.recorded_at, r.contacted_at), r.zone) as recorded_at
    )
  from (
    select f.*, coalesce(v.zone, p.zone, c.zone, $timezone) as zone
    from raw_follow_ups f
    left join stg_visit_zones v on v.visit_id = f.visit_id
    left join stg_procedure_zones p on p.procedure_id = f.procedure_id
    left join stg_client_zones c on c.client_key = f.client_key
  ) r
) versions
