-- One row for each piercing, visit, due revisit and receipt line that a figure may count, with the record that it is.
-- grain: item, id, line_no
-- reads: piercings, visits, due_revisits, receipt_lines
-- params:
-- columns:
--   item varchar: piercing, visit, revisit or receipt line
--   id varchar: which; of a receipt line the receipt
--   line_no bigint: the line on the receipt
--   table_name varchar: the table of its record; a visit has none of its own
--   visit_id varchar: the visit it is, or is of
--   branch_id varchar: its branch
--   told_on date: its day
select 'piercing' as item, procedure_id as id, cast(null as bigint) as line_no, 'procedures' as table_name,
  visit_id, branch_id, performed_on as told_on
from piercings
union all
select 'visit', visit_id, null, null, visit_id, branch_id, visited_on from visits
union all
select 'revisit', revisit_id, null, 'revisits', visit_id, branch_id, starts_on from due_revisits
union all
select 'receipt line', sale_id, line_no, 'sales', visit_id, branch_id, sold_on from receipt_lines
