-- One row for each watched complication, material and site group: mature piercings of the 364-day period, and events.
-- grain: complication, material, site_group
-- reads: piercings, mature_piercings, events, ref_watched, ref_complications
-- params: missing
-- columns:
--   complication varchar: the complication or group
--   material varchar: what touches the skin
--   site_group varchar: the group of the site
--   procedures bigint: mature piercings
--   events bigint: those with an event
--   reached bigint: those an asked answer vouches for
--   events_reached bigint: events among the reached
with windows as (
  select distinct c.complication, c.window_days
  from ref_complications c
  join ref_watched w on w.complication = c.complication
)
select w.complication, coalesce(p.material, $missing) as material, p.site_group,
  count(*) as procedures, count(e.procedure_id) as events,
  count(case when m.is_reached then 1 end) as reached,
  count(case when m.is_reached then e.procedure_id end) as events_reached
from mature_piercings m
join windows w on w.window_days = m.window_days
join piercings p on p.procedure_id = m.procedure_id
left join events e on e.procedure_id = m.procedure_id and e.complication = w.complication
group by w.complication, coalesce(p.material, $missing), p.site_group
