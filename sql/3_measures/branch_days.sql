-- One row for each branch: the first and last days of which its exports tell, so that silence shows as silence.
-- grain: branch_id
-- reads: stg_branches, stg_procedures, stg_revisits, stg_sales
-- params: as_of
-- columns:
--   branch_id varchar: the branch
--   name varchar: what people call it
--   premises varchar: what kind of shop it is
--   region varchar: where it lies
--   follow_up_policy varchar: how it asks after its clients
--   opened_on date: the day it opened
--   is_known boolean: whether a reference row names it
--   data_from date: the first day of which a row tells
--   data_through date: the last
with days as (
  select branch_id, performed_on as day from stg_procedures where recorded_on <= $as_of
  union all
  select branch_id, sold_on from stg_sales where recorded_on <= $as_of
  union all
  select branch_id, recorded_on from stg_revisits where recorded_on <= $as_of
),
spans as (
  select branch_id, min(day) as data_from, max(day) as data_through from days group by branch_id
)
select coalesce(b.branch_id, s.branch_id) as branch_id, b.name, b.premises, b.region, b.follow_up_policy, b.opened_on,
  b.branch_id is not null as is_known, s.data_from, s.data_through
from stg_branches b
full join spans s on s.branch_id = b.branch_id
