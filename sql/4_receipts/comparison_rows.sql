-- One row for each mature piercing that stands behind a row of comparison, and what it counts as there.
-- grain: branch_id, complication, id
-- reads: piercings, mature_piercings, events, ref_complications
-- params:
-- columns:
--   branch_id varchar: the branch
--   complication varchar: the complication or group
--   item varchar: what is counted: a piercing
--   id varchar: which
--   in_procedures boolean: whether it counts in procedures: each does
--   in_observed boolean: whether it counts in observed
--   in_reached boolean: whether it counts in reached
with windows as (
  select distinct complication, window_days from ref_complications
)
select p.branch_id, w.complication, 'piercing' as item, p.procedure_id as id,
  true as in_procedures, e.procedure_id is not null as in_observed, m.is_reached as in_reached
from windows w
join mature_piercings m on m.window_days = w.window_days
join piercings p on p.procedure_id = m.procedure_id
left join events e on e.procedure_id = m.procedure_id and e.complication = w.complication
