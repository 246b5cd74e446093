-- One row for each watched complication and mature piercing that counts in its rate, with whether it has an event of it.
-- grain: complication, procedure_id
-- reads: mature_piercings, events, ref_complications, ref_watched
-- params:
-- columns:
--   complication varchar: the complication or group
--   procedure_id varchar: the piercing
--   is_reached boolean: whether an asked answer vouches for the window
--   is_event boolean: whether it has an event
with windows as (
  select distinct c.complication, c.window_days
  from ref_complications c
  join ref_watched w on w.complication = c.complication
)
select w.complication, m.procedure_id, m.is_reached, e.procedure_id is not null as is_event
from windows w
join mature_piercings m on m.window_days = w.window_days
left join events e on e.procedure_id = m.procedure_id and e.complication = w.complication
