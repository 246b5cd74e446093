-- One row for each delivery of a lot, as last taken in.
-- grain: lot_no, branch_id, received_on
-- reads: raw_lots
-- params:
-- columns:
--   lot_no varchar: the lot
--   branch_id varchar: the branch that received it; empty for the whole chain
--   received_on date: the day it came
--   article_id varchar: the stud model in it
--   quantity bigint: packs received
--   expires_on date: the day after which it may not be used
select lot_no, branch_id, received_on, article_id, quantity, expires_on
from (
  select *, row_number() over (partition by lot_no, branch_id, received_on order by seq desc) as newness
  from raw_lots
) versions
where newness = 1
