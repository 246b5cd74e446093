-- One row for each piercing of a week that stands behind a row of completion, and what it counts as there.
-- Weeks that have not ended, or are as good as known, have no row there.
-- grain: dimension, level, week, id
-- reads: piercings, piercing_levels, events
-- params:
-- columns:
--   dimension varchar: all or branch
--   level varchar: the value
--   week date: the Monday
--   item varchar: what is counted: a piercing
--   id varchar: which
--   in_procedures boolean: whether it counts in procedures: each does
--   in_seen boolean: whether it counts in seen
select l.dimension, l.level, p.week, 'piercing' as item, p.procedure_id as id,
  true as in_procedures, e.procedure_id is not null as in_seen
from piercings p
join piercing_levels l on l.procedure_id = p.procedure_id and l.dimension in ('all', 'branch')
left join events e on e.procedure_id = p.procedure_id and e.complication = 'infection'
