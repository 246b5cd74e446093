-- One row for each gap in the record of a completed piercing of the 364 days that end on the as-of date.
-- grain: procedure_id, gap
-- reads: piercings, stg_lots, stg_articles, stg_practitioners, ref_allowed_site_groups
-- params: as_of, rate_period_days, adult_age
-- columns:
--   procedure_id varchar: the piercing
--   branch_id varchar: the branch
--   performed_on date: the local day
--   gap varchar: what is missing or wrong
with recent as (
  select * from piercings where $as_of - performed_on between 0 and $rate_period_days - 1
),
lot_rows as (
  select r.procedure_id, l.expires_on,
    row_number() over (
      partition by r.procedure_id
      order by
        case when l.branch_id = r.branch_id then 0 when l.branch_id is null then 1 else 2 end,
        l.expires_on nulls last
    ) as place
  from recent r
  join stg_lots l on l.lot_no = r.lot_no
),
checked as (
  select r.*, l.procedure_id is not null as is_lot_known, coalesce(r.pack_expiry, l.expires_on) as expires_on
  from recent r
  left join lot_rows l on l.procedure_id = r.procedure_id and l.place = 1
),
gaps as (
  select procedure_id, 'minor_without_guardian' as gap from checked
  where age_years < $adult_age and coalesce(consent, 'missing') not in ('guardian_present', 'guardian_remote')
  union all
  select procedure_id, 'consent_missing' from checked where coalesce(consent, 'missing') = 'missing'
  union all
  select procedure_id, 'age_missing' from checked where age_years is null
  union all
  select procedure_id, 'lot_missing' from checked where lot_no is null
  union all
  select procedure_id, 'lot_unknown' from checked where lot_no is not null and not is_lot_known
  union all
  select procedure_id, 'pack_expired' from checked where expires_on < performed_on
  union all
  select procedure_id, 'article_unknown' from checked
  where article_id is not null and article_id not in (select article_id from stg_articles)
  union all
  select procedure_id, 'practitioner_missing' from checked where practitioner_id is null
  union all
  select procedure_id, 'practitioner_unknown' from checked
  where practitioner_id is not null and practitioner_id not in (select practitioner_id from stg_practitioners)
  union all
  select procedure_id, 'site_not_allowed' from checked
  where site_group not in (select site_group from ref_allowed_site_groups)
  union all
  select procedure_id, 'aftercare_missing' from checked where coalesce(aftercare_given, 'none') = 'none'
)
select g.procedure_id, r.branch_id, r.performed_on, g.gap
from gaps g
join recent r on r.procedure_id = g.procedure_id
