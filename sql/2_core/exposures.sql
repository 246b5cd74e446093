-- One row for each piercing and aftercare batch that its visit was sold or given.
-- grain: procedure_id, batch_no
-- reads: piercings, receipt_lines
-- params:
-- columns:
--   procedure_id varchar: the piercing
--   batch_no varchar: the aftercare product's batch
select distinct p.procedure_id, l.batch_no
from piercings p
join receipt_lines l on l.visit_id = p.visit_id
where l.category = 'aftercare' and l.line_type in ('sale', 'gift', 'bundle_part') and l.batch_no is not null
