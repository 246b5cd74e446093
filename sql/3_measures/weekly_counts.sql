-- One row for each week and branch in which something happened; several where sales were in several currencies.
-- Piercings and their infections stand in the week of the piercing, visits in that of their first piercing, sales in the
-- week of the sale. Where there are several currencies, the counts stand in the first row alone.
-- grain: week, branch_id, currency
-- reads: piercings, visits, events, week_takings
-- params:
-- columns:
--   week date: the Monday
--   branch_id varchar: the branch
--   currency varchar: the currency of the amounts
--   visits bigint: visits that began
--   procedures bigint: completed piercings
--   infections bigint: those with an infection event known so far
--   aftercare_net decimal(38,10): sales, gifts and bundle parts of aftercare, less refunds
--   jewellery_net decimal(38,10): the same of jewellery
with visit_counts as (
  select week, branch_id, count(*) as visits from visits group by week, branch_id
),
piercing_counts as (
  select p.week, p.branch_id, count(*) as procedures, count(e.procedure_id) as infections
  from piercings p
  left join events e on e.procedure_id = p.procedure_id and e.complication = 'infection'
  group by p.week, p.branch_id
),
weeks as (
  select week, branch_id from visit_counts
  union
  select week, branch_id from piercing_counts
  union
  select week, branch_id from week_takings
)
select w.week, w.branch_id, s.currency,
  case when coalesce(s.place, 1) = 1 then coalesce(v.visits, 0) end as visits,
  case when coalesce(s.place, 1) = 1 then coalesce(p.procedures, 0) end as procedures,
  case when coalesce(s.place, 1) = 1 then coalesce(p.infections, 0) end as infections,
  cast(coalesce(s.aftercare_net, 0) as decimal(38, 10)) as aftercare_net,
  cast(coalesce(s.jewellery_net, 0) as decimal(38, 10)) as jewellery_net
from weeks w
left join visit_counts v on v.week = w.week and v.branch_id = w.branch_id
left join piercing_counts p on p.week = w.week and p.branch_id = w.branch_id
left join week_takings s on s.week = w.week and s.branch_id = w.branch_id
