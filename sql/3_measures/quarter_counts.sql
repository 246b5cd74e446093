-- One row for each calendar quarter, site group and complication: piercings, those reached, and those with an event.
-- Every kind counts where its onset lies in the window of infection, so that all are known 90 days after the quarter.
-- grain: quarter, site_group, complication
-- reads: piercings, reached, reports, ref_complications
-- params:
-- columns:
--   quarter date: the first day of the quarter in which the piercings were performed
--   site_group varchar: the group of the site
--   complication varchar: the complication or group
--   procedures bigint: completed piercings
--   reached bigint: those an asked answer vouches for within the window of infection
--   events bigint: those with a report of the complication, or of one in its group, in that window
with counted_window as (
  select max(window_days) as days from ref_complications where complication = 'infection'
),
quarterly as (
  select p.procedure_id, p.site_group, cast(date_trunc('quarter', p.performed_on) as date) as quarter,
    r.procedure_id is not null as is_reached
  from piercings p
  left join reached r on r.procedure_id = p.procedure_id and r.window_days = (select days from counted_window)
),
sizes as (
  select quarter, site_group, count(*) as procedures, count(case when is_reached then 1 end) as reached
  from quarterly
  group by quarter, site_group
),
event_counts as (
  select q.quarter, q.site_group, c.complication, count(distinct q.procedure_id) as events
  from quarterly q
  join reports r on r.procedure_id = q.procedure_id
  join ref_complications c on c.kind = r.kind
  where r.onset_day between 0 and (select days from counted_window)
  group by q.quarter, q.site_group, c.complication
)
select s.quarter, s.site_group, w.complication, s.procedures, s.reached, coalesce(e.events, 0) as events
from sizes s
cross join (select distinct complication from ref_complications) w
left join event_counts e
  on e.quarter = s.quarter and e.site_group = s.site_group and e.complication = w.complication
