-- One row for each practitioner's code, as last taken in.
-- grain: practitioner_id
-- reads: raw_practitioners
-- params:
-- columns:
--   practitioner_id varchar: the code
--   home_branch_id varchar: the branch the person belongs to
--   alias_of varchar: the code this one is another spelling of
select practitioner_id, home_branch_id, alias_of
from (
  select *, row_number() over (partition by practitioner_id order by seq desc) as newness
  from raw_practitioners
) versions
where newness = 1
