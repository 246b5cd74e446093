-- One row for each complication reported of a piercing, with what is known of it since.
-- Of the contacts about the visit from the day of the report on, those count that name its piercing or none.
-- grain: report_id
-- reads: reports, piercings, follow_ups
-- params: as_of
-- columns:
--   report_id varchar: the follow-up, or the piercing for an event during it
--   procedure_id varchar: the piercing
--   visit_id varchar: the client's stay
--   kind varchar: the complication
--   onset_day integer: days from the piercing to the onset
--   severity bigint: 0 expected healing to 4 lasting deformity
--   certainty varchar: possible, probable or confirmed
--   clinician_seen boolean: whether the report says that a clinician saw the client
--   referred_same_day boolean: whether the client was sent to medical care that day
--   reported_on date: the local day of the contact
--   recorded_on date: the local day it was first recorded
--   is_attributed boolean: whether the report names no piercing
--   is_immediate boolean: whether it is an event during the piercing, told by its own record
--   over_on date: the day this complication was over, as a contact says, else the first later day the client told it was well
--   clinician_on date: the first day from the report on by which a clinician is known to have seen the client
with told as (
  select r.report_id, r.procedure_id, p.visit_id, r.kind, r.onset_day, r.recorded_on, r.is_attributed,
    f.severity, f.certainty, f.clinician_seen, f.referred_same_day,
    coalesce(f.contacted_on, p.performed_on) as reported_on, f.follow_up_id is null as is_immediate
  from reports r
  join piercings p on p.procedure_id = r.procedure_id
  left join follow_ups f on r.report_id = 'follow_up:' || f.follow_up_id
),
since as (
  select t.report_id,
    min(case when c.complication = t.kind and c.resolved_on <= $as_of then c.resolved_on end) as resolved_on,
    min(
      case when c.outcome = 'well' and c.complication is null and c.contacted_on > t.reported_on then c.contacted_on end
    ) as well_on,
    min(case when c.clinician_seen or c.channel = 'clinician_letter' then c.contacted_on end) as clinician_on
  from told t
  join follow_ups c
    on c.visit_id = t.visit_id and c.contacted_on >= t.reported_on
    and (c.procedure_id is null or c.procedure_id = t.procedure_id)
  group by t.report_id
)
select t.report_id, t.procedure_id, t.visit_id, t.kind, t.onset_day, t.severity, t.certainty, t.clinician_seen,
  t.referred_same_day, t.reported_on, t.recorded_on, t.is_attributed, t.is_immediate,
  coalesce(s.resolved_on, s.well_on) as over_on, s.clinician_on
from told t
left join since s on s.report_id = t.report_id
