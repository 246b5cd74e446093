-- One row for each completed piercing in the order performed, with whether it is known to have become infected.
-- grain: procedure_id
-- reads: piercings, events
-- params:
-- columns:
--   procedure_id varchar: the piercing
--   branch_id varchar: the branch
--   performed_at timestamp: when, in UTC
--   performed_on date: the local day
--   week date: the Monday of its week
--   is_infected boolean: whether it has an infection event
select p.procedure_id, p.branch_id, p.performed_at, p.performed_on, p.week, e.procedure_id is not null as is_infected
from piercings p
left join events e on e.procedure_id = p.procedure_id and e.complication = 'infection'
