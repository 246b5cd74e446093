-- One row for each receipt line whose money counts as taken: aftercare and jewellery sold, given, bundled or refunded.
-- grain: sale_id, line_no
-- reads: receipt_lines
-- params:
-- columns:
--   sale_id varchar: the receipt
--   line_no bigint: the line on it
--   week date: the Monday of the week of the sale
--   branch_id varchar: the branch
--   currency varchar: the amount's currency
--   aftercare_net decimal(38,10): money for aftercare, below nought for a refund
--   jewellery_net decimal(38,10): the same for jewellery
select sale_id, line_no, week, branch_id, currency,
  cast(case when category = 'aftercare' then signed_amount else 0 end as decimal(38, 10)) as aftercare_net,
  cast(case when category = 'jewellery' then signed_amount else 0 end as decimal(38, 10)) as jewellery_net
from (
  select *, case when line_type = 'refund' then -abs(net_amount) else net_amount end as signed_amount
  from receipt_lines
  where category in ('aftercare', 'jewellery') and line_type in ('sale', 'gift', 'bundle_part', 'refund')
) lines
