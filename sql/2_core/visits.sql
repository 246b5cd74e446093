-- One row for each visit: its day, branch and practitioner are those of its first completed piercing.
-- grain: visit_id
-- reads: piercings
-- params:
-- columns:
--   visit_id varchar: the client's stay
--   branch_id varchar: the branch
--   zone varchar: the time zone of its days
--   visited_at timestamp: when it began, in UTC
--   visited_on date: the local day
--   week date: the Monday of its week
--   practitioner_id varchar: who pierced first
--   client_key varchar: the client's pseudonym, from the first piercing that has one
select first.visit_id, first.branch_id, first.zone, first.performed_at as visited_at, first.performed_on as visited_on,
  first.week, first.practitioner_id, client.client_key
from (
  select *, row_number() over (partition by visit_id order by performed_at, procedure_id) as place
  from piercings
) first
left join (
  select visit_id, client_key,
    row_number() over (partition by visit_id order by performed_at, procedure_id) as place
  from piercings
  where client_key is not null
) client on client.visit_id = first.visit_id and client.place = 1
where first.place = 1
