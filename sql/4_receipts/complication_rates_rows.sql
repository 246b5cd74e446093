-- One row for each mature piercing that stands behind a row of complication_rates, and what it counts as there.
-- grain: dimension, level, complication, id
-- reads: piercing_levels, mature_piercings, events, ref_complications
-- params:
-- columns:
--   dimension varchar: what the piercings are told apart by
--   level varchar: the value
--   complication varchar: the complication or group
--   item varchar: what is counted: a piercing
--   id varchar: which
--   in_procedures boolean: whether it counts in procedures: each does
--   in_events boolean: whether it counts in events
--   in_reached boolean: whether it counts in reached
--   in_events_reached boolean: whether it counts in events_reached
--   in_attributed boolean: whether it counts in attributed
with windows as (
  select distinct complication, window_days from ref_complications
)
select l.dimension, l.level, w.complication, 'piercing' as item, m.procedure_id as id,
  true as in_procedures, e.procedure_id is not null as in_events, m.is_reached as in_reached,
  e.procedure_id is not null and m.is_reached as in_events_reached, coalesce(e.is_attributed, false) as in_attributed
from piercing_levels l
join mature_piercings m on m.procedure_id = l.procedure_id
join windows w on w.window_days = m.window_days
left join events e on e.procedure_id = m.procedure_id and e.complication = w.complication
