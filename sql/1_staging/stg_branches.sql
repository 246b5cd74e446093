-- One row for each branch, as last taken in, with the time zone its rows follow.
-- grain: branch_id
-- reads: raw_branches
-- params: timezone
-- columns:
--   branch_id varchar: the branch
--   name varchar: what people call it
--   region varchar: where it lies
--   premises varchar: what kind of shop it is
--   zone varchar: its time zone, else that of the settings
--   opened_on date: the day it opened
--   follow_up_policy varchar: how it asks after its clients
select branch_id, name, region, premises, coalesce(timezone, $timezone) as zone, opened_on, follow_up_policy
from (
  select *, row_number() over (partition by branch_id order by seq desc) as newness
  from raw_branches
) versions
where newness = 1
