-- One row for each follow-up known by the as-of date, with the visit it belongs to, if that is known.
-- It belongs to the visit it names; without one to that of its procedure; without either, or where the procedure leads
-- nowhere, to the client's latest visit on or before the onset, or the contact where there is no onset.
-- grain: follow_up_id
-- reads: stg_follow_ups, stg_contact_days, piercings, visits
-- params: as_of
-- columns:
--   follow_up_id varchar: the contact
--   visit_id varchar: the visit it belongs to
--   procedure_id varchar: the completed piercing of that visit which it names
--   contacted_on date: the local day
--   channel varchar: how the contact was made
--   outcome varchar: what came of it
--   is_asked boolean: whether the branch asked, rather than the client told unasked
--   complication varchar: the complication it reports; `other` where one is reported and none named
--   onset_on date: the day it began, else the contact day
--   severity bigint: 0 expected healing to 4 lasting deformity
--   certainty varchar: possible, probable or confirmed
--   ear varchar: the ear it names
--   site varchar: the site it names
--   clinician_seen boolean: whether a clinician saw the client
--   stud_removed boolean: whether the stud was taken out
--   referred_same_day boolean: whether the client was sent to medical care that day
--   resolved_on date: the day it was over
--   first_recorded_on date: the local day on which what it reports was first recorded
with known as (
  select *
  from (
    select *, row_number() over (partition by follow_up_id order by recorded_at desc, seq desc) as newness,
      min(recorded_on) over (
        partition by follow_up_id, coalesce(complication, case when outcome = 'complication' then 'other' end)
      ) as first_recorded_on
    from stg_follow_ups
    where recorded_on <= $as_of
  ) versions
  where newness = 1
),
latest_visit as (
  select follow_up_id, visit_id, contacted_on
  from (
    select k.follow_up_id, v.visit_id, d.contacted_on,
      row_number() over (
        partition by k.follow_up_id order by v.visited_on desc, v.visited_at desc, v.visit_id desc
      ) as newness
    from known k
    join visits v on v.client_key = k.client_key
    join stg_contact_days d on d.seq = k.seq and d.zone = v.zone
    where v.visited_on <= coalesce(k.onset_on, d.contacted_on)
  ) visits_of_client
  where newness = 1
),
linked as (
  select k.follow_up_id, k.procedure_id, k.channel, k.initiated_by, k.outcome, k.complication, k.onset_on, k.severity,
    k.certainty, k.ear, k.site, k.clinician_seen, k.stud_removed, k.referred_same_day, k.resolved_on, k.first_recorded_on,
    case
      when k.visit_id is not null then named.visit_id
      else coalesce(p.visit_id, l.visit_id)
    end as own_visit_id,
    p.visit_id as procedure_visit_id,
    case when k.visit_id is null and p.visit_id is null and l.visit_id is not null then l.contacted_on
      else k.contacted_on
    end as contacted_on
  from known k
  left join visits named on named.visit_id = k.visit_id
  left join piercings p on p.procedure_id = k.procedure_id
  left join latest_visit l on l.follow_up_id = k.follow_up_id
)
select follow_up_id, own_visit_id as visit_id,
  case when procedure_visit_id = own_visit_id then procedure_id end as procedure_id,
  contacted_on, channel, outcome,
  coalesce(initiated_by = 'branch', channel in ('phone', 'message', 'revisit'), false) as is_asked,
  coalesce(complication, case when outcome = 'complication' then 'other' end) as complication,
  coalesce(onset_on, contacted_on) as onset_on, severity, certainty, ear, site,
  clinician_seen, coalesce(stud_removed, false) as stud_removed, referred_same_day, resolved_on, first_recorded_on
from linked
