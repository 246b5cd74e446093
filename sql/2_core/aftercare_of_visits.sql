-- One row for each visit: whether its client left with aftercare.
-- grain: visit_id
-- reads: visits, receipt_lines, refunds
-- params:
-- columns:
--   visit_id varchar: the visit
--   is_attached boolean: aftercare sold, less refunds in time, comes to more than nothing
--   is_provided boolean: the same with gifts and bundle parts added
--   is_linked boolean: any receipt line belongs to it
with lines as (
  select visit_id,
    sum(case when category = 'aftercare' and line_type = 'sale' then quantity else 0 end) as n_sold,
    sum(case when category = 'aftercare' and line_type in ('gift', 'bundle_part') then quantity else 0 end) as n_given
  from receipt_lines
  where visit_id is not null
  group by visit_id
),
taken_back as (
  select visit_id, sum(quantity) as n_refunded
  from refunds
  group by visit_id
)
select v.visit_id,
  coalesce(l.n_sold, 0) - coalesce(t.n_refunded, 0) > 0 as is_attached,
  coalesce(l.n_sold, 0) + coalesce(l.n_given, 0) - coalesce(t.n_refunded, 0) > 0 as is_provided,
  l.visit_id is not null as is_linked
from visits v
left join lines l on l.visit_id = v.visit_id
left join taken_back t on t.visit_id = v.visit_id
