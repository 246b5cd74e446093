-- One row for each mature piercing and watched complication: its stratum, and whether it has an event.
-- grain: complication, procedure_id
-- reads: piercings, mature_piercings, events, ref_complications, ref_watched
-- params: missing
-- columns:
--   complication varchar: the complication or group
--   procedure_id varchar: the piercing
--   performed_on date: the local day
--   site_group varchar: the group of the site
--   age_band varchar: the band of the client's age
--   is_reached boolean: whether an asked answer vouches for the window
--   is_event boolean: whether it has an event
select w.complication, p.procedure_id, p.performed_on, p.site_group, coalesce(p.age_band, $missing) as age_band,
  m.is_reached, e.procedure_id is not null as is_event
from (
  select distinct complication, window_days
  from ref_complications
  where complication in (select complication from ref_watched)
) w
join mature_piercings m on m.window_days = w.window_days
join piercings p on p.procedure_id = m.procedure_id
left join events e on e.procedure_id = p.procedure_id and e.complication = w.complication
