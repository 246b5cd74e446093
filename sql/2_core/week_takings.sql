-- One row for each week, branch and currency in which something was taken; counts stand in the first of them.
-- grain: week, branch_id, currency
-- reads: takings
-- params:
-- columns:
--   week date: the Monday
--   branch_id varchar: the branch
--   currency varchar: the currency of the amounts
--   aftercare_net decimal(38,10): money for aftercare, less refunds
--   jewellery_net decimal(38,10): the same for jewellery
--   place bigint: which of the currencies of its week and branch it is, from 1
select week, branch_id, currency,
  cast(sum(aftercare_net) as decimal(38, 10)) as aftercare_net,
  cast(sum(jewellery_net) as decimal(38, 10)) as jewellery_net,
  row_number() over (partition by week, branch_id order by currency nulls first) as place
from takings
group by week, branch_id, currency
