-- One row for each receipt line known by the as-of date, of sales that are not void, with its product's category and the
-- visit it belongs to: the one it names, else that of its client at its branch on its day.
-- grain: sale_id, line_no
-- reads: stg_sales, stg_products, visits
-- params: as_of
-- columns:
--   sale_id varchar: the receipt
--   line_no bigint: the line on it
--   branch_id varchar: the branch
--   sold_on date: the local day
--   week date: the Monday of its week
--   product_id varchar: the product
--   category varchar: the product's category
--   batch_no varchar: the product's batch
--   line_type varchar: what kind of line
--   quantity bigint: how many
--   net_amount decimal(38,10): money for the line
--   currency varchar: the amount's currency
--   refund_of varchar: the receipt a refund takes back
--   visit_id varchar: the visit it belongs to
with known as (
  select *
  from (
    select *, row_number() over (partition by sale_id, line_no order by recorded_at desc, seq desc) as newness
    from stg_sales
    where recorded_on <= $as_of
  ) versions
  where newness = 1
),
visit_of_day as (
  select client_key, branch_id, visited_on, min(visit_id) as visit_id
  from visits
  where client_key is not null
  group by client_key, branch_id, visited_on
)
select k.sale_id, k.line_no, k.branch_id, k.sold_on, cast(date_trunc('week', k.sold_on) as date) as week,
  k.product_id, p.category, k.batch_no, k.line_type, k.quantity, k.net_amount, k.currency, k.refund_of,
  case when k.visit_id is not null then named.visit_id else d.visit_id end as visit_id
from known k
left join stg_products p on p.product_id = k.product_id
left join visits named on named.visit_id = k.visit_id
left join visit_of_day d on d.client_key = k.client_key and d.branch_id = k.branch_id and d.visited_on = k.sold_on
where not exists (select 1 from known v where v.sale_id = k.sale_id and v.line_type = 'void')
