-- One row for each mature piercing and each possible cause it was exposed to.
-- grain: procedure_id, dimension, level
-- reads: piercing_levels, mature_piercings, ref_causes
-- params: missing
-- columns:
--   procedure_id varchar: the piercing
--   dimension varchar: the kind of cause
--   level varchar: the cause
select l.procedure_id, l.dimension, l.level
from piercing_levels l
where l.dimension in (select dimension from ref_causes)
  and l.level <> $missing and l.level not like $missing || ':%'
  and l.procedure_id in (select procedure_id from mature_piercings)
