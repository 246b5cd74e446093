-- One row for each watched complication, possible cause and branch: mature piercings exposed to it, and their events.
-- An event is one of the piercings; days of use count every piercing known, mature or not.
-- grain: complication, dimension, level, branch_id
-- reads: exposed_piercings, exposure_levels, piercing_levels, piercings
-- params:
-- columns:
--   complication varchar: the complication or group
--   dimension varchar: the kind of cause
--   level varchar: the cause
--   branch_id varchar: the branch
--   procedures bigint: mature piercings exposed
--   events bigint: those with an event
--   used_from date: the first day of use at the branch
--   used_to date: the last day of use at the branch
with days as (
  select l.dimension, l.level, p.branch_id, min(p.performed_on) as used_from, max(p.performed_on) as used_to
  from piercing_levels l
  join piercings p on p.procedure_id = l.procedure_id
  group by l.dimension, l.level, p.branch_id
),
exposed as (
  select e.complication, l.dimension, l.level, p.branch_id,
    count(*) as procedures, count(case when e.is_event then 1 end) as events
  from exposed_piercings e
  join exposure_levels l on l.procedure_id = e.procedure_id
  join piercings p on p.procedure_id = e.procedure_id
  group by e.complication, l.dimension, l.level, p.branch_id
)
select x.complication, x.dimension, x.level, x.branch_id, x.procedures, x.events, d.used_from, d.used_to
from exposed x
join days d on d.dimension = x.dimension and d.level = x.level and d.branch_id = x.branch_id
