-- One row for each client with a completed piercing, with the time zone of the client's latest visit.
-- grain: client_key
-- reads: stg_procedures, stg_visit_zones
-- params:
-- columns:
--   client_key varchar: the client's pseudonym
--   zone varchar: the time zone
select client_key, zone
from (
  select p.client_key, v.zone,
    row_number() over (
      partition by p.client_key order by v.performed_on desc, v.performed_at desc, v.visit_id desc
    ) as lateness
  from (
    select *, row_number() over (partition by procedure_id order by recorded_at desc, seq desc) as newness
    from stg_procedures
  ) p
  join stg_visit_zones v on v.visit_id = p.visit_id
  where p.newness = 1 and p.status = 'completed' and p.client_key is not null
) visits_of_client
where lateness = 1
