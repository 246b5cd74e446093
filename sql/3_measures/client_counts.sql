-- One row for each watched complication and each number of mature piercings and events that a client has: how many clients.
-- Piercings of a client whose key was not recorded count by visit.
-- grain: complication, procedures, events
-- reads: piercings, mature_piercings, events, ref_watched, ref_complications
-- params:
-- columns:
--   complication varchar: the complication or group
--   procedures bigint: a client's mature piercings
--   events bigint: those with an event
--   clients bigint: how many clients have so many of both
with windows as (
  select distinct c.complication, c.window_days
  from ref_complications c
  join ref_watched w on w.complication = c.complication
),
of_client as (
  select w.complication, p.client_key, case when p.client_key is null then p.visit_id end as visit_id,
    count(*) as procedures, count(e.procedure_id) as events
  from mature_piercings m
  join windows w on w.window_days = m.window_days
  join piercings p on p.procedure_id = m.procedure_id
  left join events e on e.procedure_id = m.procedure_id and e.complication = w.complication
  group by w.complication, p.client_key, case when p.client_key is null then p.visit_id end
)
select complication, procedures, events, count(*) as clients
from of_client
group by complication, procedures, events
