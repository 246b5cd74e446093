-- One row for each watched complication and each number of mature piercings and events that a client has: how many clients.
-- Piercings of a client whose key was not recorded count by visit.
-- grain: complication, procedures, events
-- reads: piercings, watched_piercings
-- params:
-- columns:
--   complication varchar: the complication or group
--   procedures bigint: a client's mature piercings
--   events bigint: those with an event
--   clients bigint: how many clients have so many of both
with of_client as (
  select w.complication, p.client_key, case when p.client_key is null then p.visit_id end as visit_id,
    count(*) as procedures, count(case when w.is_event then 1 end) as events
  from watched_piercings w
  join piercings p on p.procedure_id = w.procedure_id
  group by w.complication, p.client_key, case when p.client_key is null then p.visit_id end
)
select complication, procedures, events, count(*) as clients
from of_client
group by complication, procedures, events
