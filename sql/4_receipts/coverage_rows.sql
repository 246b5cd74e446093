-- One row for each piercing that stands behind a row of coverage, and what it counts as there.
-- grain: week, branch_id, id
-- reads: piercings, reached, ref_complications
-- params:
-- columns:
--   week date: the Monday
--   branch_id varchar: the branch
--   item varchar: what is counted: a piercing
--   id varchar: which
--   in_procedures boolean: whether it counts in procedures: each does
--   in_reached boolean: whether it counts in reached
select p.week, p.branch_id, 'piercing' as item, p.procedure_id as id,
  true as in_procedures, r.procedure_id is not null as in_reached
from piercings p
left join reached r on r.procedure_id = p.procedure_id
  and r.window_days = (select max(window_days) from ref_complications where complication = 'infection')
