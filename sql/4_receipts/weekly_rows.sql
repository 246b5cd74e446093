-- One row for each visit, piercing and receipt line that stands behind a row of weekly, and what it counts as there.
-- grain: week, branch_id, currency, item, id, line_no
-- reads: piercings, visits, events, takings, week_takings
-- params:
-- columns:
--   week date: the Monday
--   branch_id varchar: the branch
--   currency varchar: the currency of the row it counts in
--   item varchar: what is counted: a visit, piercing or receipt line
--   id varchar: which; of a receipt line the receipt
--   line_no bigint: the line on the receipt
--   in_visits boolean: whether it counts in visits
--   in_procedures boolean: whether it counts in procedures
--   in_infections_observed boolean: whether it counts in infections_observed
--   aftercare_net decimal(38,10): what it adds to aftercare_net
--   jewellery_net decimal(38,10): what it adds to jewellery_net
with counted as (
  select week, branch_id, 'visit' as item, visit_id as id,
    true as in_visits, false as in_procedures, false as in_infections_observed
  from visits
  union all
  select p.week, p.branch_id, 'piercing', p.procedure_id, false, true, e.procedure_id is not null
  from piercings p
  left join events e on e.procedure_id = p.procedure_id and e.complication = 'infection'
)
select c.week, c.branch_id, t.currency, c.item, c.id, cast(null as bigint) as line_no,
  c.in_visits, c.in_procedures, c.in_infections_observed,
  cast(0 as decimal(38, 10)) as aftercare_net, cast(0 as decimal(38, 10)) as jewellery_net
from counted c
left join week_takings t on t.week = c.week and t.branch_id = c.branch_id and t.place = 1
union all
select week, branch_id, currency, 'receipt line', sale_id, line_no, false, false, false, aftercare_net, jewellery_net
from takings
