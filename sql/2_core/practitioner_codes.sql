-- One row for each practitioner's code, with the code it leads to at the end of its chain of aliases.
-- A code whose chain runs in a circle stays as it is.
-- grain: code
-- reads: stg_practitioners
-- params:
-- columns:
--   code varchar: the code as recorded
--   practitioner_id varchar: the practitioner it stands for
with recursive steps as (
  select practitioner_id as code, practitioner_id as leads_to, 0 as step
  from stg_practitioners
  union all
  select steps.code, p.alias_of, steps.step + 1
  from steps
  join stg_practitioners p on p.practitioner_id = steps.leads_to
  where p.alias_of is not null and steps.step <= (select count(*) from stg_practitioners)
),
ends as (
  select code, leads_to, step, row_number() over (partition by code order by step desc) as from_end
  from steps
)
select code, case when step > (select count(*) from stg_practitioners) then code else leads_to end as practitioner_id
from ends
where from_end = 1
