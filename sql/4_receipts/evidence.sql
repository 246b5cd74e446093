-- One row for each record that says something of a piercing, visit or revisit: what was heard of a piercing, the piercings
-- and receipt lines of a visit, the attended revisits of a revisit's thread.
-- grain: item, item_id, table_name, id, line_no
-- reads: piercings, follow_ups, reports, attributions, asked_answers, receipt_lines, refunds, due_revisits
-- params:
-- columns:
--   item varchar: piercing, visit or revisit
--   item_id varchar: which
--   table_name varchar: the record's table
--   id varchar: the record's key; of a receipt line the receipt
--   line_no bigint: the line on the receipt
--   says varchar: outcome of a contact, kind of a receipt line, status
--   is_answer boolean: whether it is an answer to the branch's own asking
--   day integer: days from the piercing to the contact or revisit
--   kind varchar: the complication it reports of this piercing
--   onset_day integer: days from the piercing to the onset of that
--   report_id varchar: the report it makes
--   is_attributed boolean: whether that names no piercing
--   stud_out_day integer: days from the piercing to the contact that tells of its stud taken out
--   quantity bigint: packs of aftercare it adds, or takes back from a visit
select 'piercing' as item, p.procedure_id as item_id, 'follow_ups' as table_name, f.follow_up_id as id,
  cast(null as bigint) as line_no, f.outcome as says, a.id is not null as is_answer,
  cast(f.contacted_on - p.performed_on as integer) as day, r.kind, r.onset_day, r.report_id,
  r.is_attributed, t.stud_out_day, cast(null as bigint) as quantity
from piercings p
join follow_ups f on f.visit_id = p.visit_id
left join reports r on r.report_id = 'follow_up:' || f.follow_up_id and r.procedure_id = p.procedure_id
left join attributions t on t.follow_up_id = f.follow_up_id and t.procedure_id = p.procedure_id
left join asked_answers a on a.table_name = 'follow_ups' and a.id = f.follow_up_id
union all
select 'piercing', p.procedure_id, 'procedures', p.procedure_id, null, 'during the piercing', false, 0,
  r.kind, r.onset_day, r.report_id, r.is_attributed, null, null
from piercings p
join reports r on r.report_id = 'procedure:' || p.procedure_id
union all
select 'piercing', p.procedure_id, 'revisits', a.id, null, 'attended', true,
  cast(a.answered_on - p.performed_on as integer), null, null, null, null, null, null
from piercings p
join asked_answers a on a.visit_id = p.visit_id and a.table_name = 'revisits'
union all
select 'visit', visit_id, 'procedures', procedure_id, null, 'completed', false, null, null, null, null, null, null, null
from piercings
union all
select 'visit', l.visit_id, 'sales', l.sale_id, l.line_no, coalesce(l.category || ' ', '') || l.line_type,
  false, null, null, null, null, null, null,
  case when l.category = 'aftercare' and l.line_type in ('sale', 'gift', 'bundle_part') then l.quantity else 0 end
from receipt_lines l
left join refunds t on t.sale_id = l.sale_id and t.line_no = l.line_no and t.visit_id = l.visit_id
where l.visit_id is not null and t.visit_id is null
union all
select 'visit', visit_id, 'sales', sale_id, line_no, 'aftercare refund', false, null, null, null, null, null, null, -quantity
from refunds
union all
select 'revisit', d.revisit_id, 'revisits', k.revisit_id, null, k.status, false, null, null, null, null, null, null, null
from due_revisits d
join due_revisits k on k.thread_id = d.thread_id and k.revisit_id <> d.revisit_id and k.status = 'attended'
