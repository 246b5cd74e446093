-- One row for each mature piercing that was exposed to the cause of a row of exposures, and what it counts as there.
-- Of a cause that stands out, piercings that causes chosen before explain do not count; these the search alone knows.
-- grain: complication, dimension, level, id
-- reads: exposed_piercings, exposure_levels
-- params:
-- columns:
--   complication varchar: the complication or group
--   dimension varchar: the kind of cause
--   level varchar: the cause
--   item varchar: what is counted: a piercing
--   id varchar: which
--   in_procedures boolean: whether it counts in procedures: each does
--   in_observed boolean: whether it counts in observed
select e.complication, l.dimension, l.level, 'piercing' as item, e.procedure_id as id,
  true as in_procedures, e.is_event as in_observed
from exposed_piercings e
join exposure_levels l on l.procedure_id = e.procedure_id
