-- One row for each level and complication: mature piercings of the 364-day period, and the events among them.
-- The period of a complication ends when its window and the reporting lag had passed by the as-of date. A piercing counts
-- in the period by the day it was performed; an event is a piercing, so events are never more than procedures.
-- grain: dimension, level, complication
-- reads: piercing_levels, mature_piercings, events, ref_complications
-- params: as_of, reporting_lag_days, rate_period_days
-- columns:
--   dimension varchar: what the piercings are told apart by
--   level varchar: the value
--   complication varchar: the complication or group
--   window_days integer: days after the piercing in which an onset counts
--   period_start date: first day of the period
--   period_end date: last day of the period
--   procedures bigint: mature piercings
--   events bigint: those with an event
--   reached bigint: those an asked answer vouches for
--   events_reached bigint: events among the reached
--   attributed bigint: events none of whose reports names the piercing
with windows as (
  select distinct complication, window_days from ref_complications
),
levels as (
  select distinct dimension, level from piercing_levels
),
sizes as (
  select l.dimension, l.level, m.window_days, count(*) as procedures, count(case when m.is_reached then 1 end) as reached
  from piercing_levels l
  join mature_piercings m on m.procedure_id = l.procedure_id
  group by l.dimension, l.level, m.window_days
),
mature_events as (
  select e.procedure_id, e.complication, e.is_attributed, m.is_reached
  from events e
  join windows w on w.complication = e.complication
  join mature_piercings m on m.procedure_id = e.procedure_id and m.window_days = w.window_days
),
event_counts as (
  select l.dimension, l.level, e.complication, count(*) as events,
    count(case when e.is_reached then 1 end) as events_reached,
    count(case when e.is_attributed then 1 end) as attributed
  from piercing_levels l
  join mature_events e on e.procedure_id = l.procedure_id
  group by l.dimension, l.level, e.complication
)
select l.dimension, l.level, w.complication, w.window_days,
  cast($as_of - w.window_days - $reporting_lag_days - ($rate_period_days - 1) as date) as period_start,
  cast($as_of - w.window_days - $reporting_lag_days as date) as period_end,
  coalesce(s.procedures, 0) as procedures, coalesce(e.events, 0) as events, coalesce(s.reached, 0) as reached,
  coalesce(e.events_reached, 0) as events_reached, coalesce(e.attributed, 0) as attributed
from levels l
cross join windows w
left join sizes s on s.dimension = l.dimension and s.level = l.level and s.window_days = w.window_days
left join event_counts e on e.dimension = l.dimension and e.level = l.level and e.complication = w.complication
