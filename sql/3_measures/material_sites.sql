-- One row for each watched complication, material and site group: mature piercings of the 364-day period, and events.
-- grain: complication, material, site_group
-- reads: piercings, watched_piercings
-- params: missing
-- columns:
--   complication varchar: the complication or group
--   material varchar: what touches the skin
--   site_group varchar: the group of the site
--   procedures bigint: mature piercings
--   events bigint: those with an event
--   reached bigint: those an asked answer vouches for
--   events_reached bigint: events among the reached
select w.complication, coalesce(p.material, $missing) as material, p.site_group,
  count(*) as procedures, count(case when w.is_event then 1 end) as events,
  count(case when w.is_reached then 1 end) as reached,
  count(case when w.is_reached and w.is_event then 1 end) as events_reached
from watched_piercings w
join piercings p on p.procedure_id = w.procedure_id
group by w.complication, coalesce(p.material, $missing), p.site_group
