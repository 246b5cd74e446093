-- One row for each refund line of aftercare that comes 0 to 14 days after what it takes back, with the visit it counts
-- against: that of the sale it names; a refund that names none goes by its own visit and that visit's day.
-- grain: sale_id, line_no
-- reads: receipt_lines, visits
-- params: refund_days
-- columns:
--   sale_id varchar: the refund's receipt
--   line_no bigint: the line on it
--   visit_id varchar: the visit it counts against
--   quantity bigint: how many were taken back
with refunded as (
  select r.sale_id, r.line_no, r.quantity, r.sold_on as refunded_on, s.visit_id, s.sold_on,
    row_number() over (
      partition by r.sale_id, r.line_no
      order by case when s.product_id = r.product_id then 0 else 1 end, s.line_no
    ) as place
  from receipt_lines r
  join receipt_lines s on s.sale_id = r.refund_of and s.visit_id is not null
  where r.line_type = 'refund' and r.category = 'aftercare'
)
select sale_id, line_no, visit_id, abs(quantity) as quantity
from refunded
where place = 1 and refunded_on - sold_on between 0 and $refund_days
union all
select r.sale_id, r.line_no, r.visit_id, abs(r.quantity)
from receipt_lines r
join visits v on v.visit_id = r.visit_id
where r.line_type = 'refund' and r.category = 'aftercare' and r.refund_of is null
  and r.sold_on - v.visited_on between 0 and $refund_days
