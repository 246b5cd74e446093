-- One row for each watched complication and each number of mature piercings and events that a client has: how many clients.
-- grain: complication, procedures, events
-- reads: piercings_of_clients
-- params:
-- columns:
--   complication varchar: the complication or group
--   procedures bigint: a client's mature piercings
--   events bigint: those with an event
--   clients bigint: how many clients have so many of both
with of_client as (
  select complication, client_key, visit_id, count(*) as procedures, count(case when is_event then 1 end) as events
  from piercings_of_clients
  group by complication, client_key, visit_id
)
select complication, procedures, events, count(*) as clients
from of_client
group by complication, procedures, events
