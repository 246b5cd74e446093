-- One row for each completed piercing known by the as-of date.
-- grain: procedure_id
-- reads: stg_procedures, stg_articles, practitioner_codes, ref_sites, ref_age_bands
-- params: as_of
-- columns:
--   procedure_id varchar: the piercing
--   visit_id varchar: the client's stay
--   client_key varchar: the client's pseudonym
--   branch_id varchar: the branch
--   zone varchar: the time zone of its days
--   performed_at timestamp: when, in UTC
--   performed_on date: the local day
--   week date: the Monday of its week
--   ear varchar: which ear
--   site varchar: the place on the ear
--   site_group varchar: the group of the site
--   article_id varchar: the stud model
--   material varchar: what touches the skin, if the article is known
--   practitioner_id varchar: who pierced, aliases resolved
--   lot_no varchar: the pack's lot
--   pack_expiry date: the date on the pack
--   age_years bigint: the client's age
--   age_band varchar: the band of that age
--   consent varchar: whose consent was recorded
--   aftercare_given varchar: what advice the client left with
--   immediate_event varchar: what happened during the piercing
--   event_recorded_on date: the local day on which its immediate event was first recorded
select v.procedure_id, v.visit_id, v.client_key, v.branch_id, v.zone, v.performed_at, v.performed_on,
  cast(date_trunc('week', v.performed_on) as date) as week,
  v.ear, v.site, s.site_group, v.article_id, a.material,
  coalesce(c.practitioner_id, v.practitioner_id) as practitioner_id,
  v.lot_no, v.pack_expiry, v.age_years, b.age_band, v.consent, v.aftercare_given, v.immediate_event, v.event_recorded_on
from (
  select *, row_number() over (partition by procedure_id order by recorded_at desc, seq desc) as newness,
    min(recorded_on) over (partition by procedure_id, immediate_event) as event_recorded_on
  from stg_procedures
  where recorded_on <= $as_of
) v
join ref_sites s on s.site = v.site
left join stg_articles a on a.article_id = v.article_id
left join practitioner_codes c on c.code = v.practitioner_id
left join ref_age_bands b on v.age_years between b.low and b.high
where v.newness = 1 and v.status = 'completed'
