-- One row for each mature piercing and watched complication: its stratum, and whether it has an event.
-- grain: complication, procedure_id
-- reads: piercings, watched_piercings
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
  w.is_reached, w.is_event
from watched_piercings w
join piercings p on p.procedure_id = w.procedure_id
