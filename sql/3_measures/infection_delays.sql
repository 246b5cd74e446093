-- One row for each delay and time at risk of being heard of: how many infections were recorded so late.
-- The delay runs from the piercing to the first record of the infection; longer delays than the time since the piercing
-- cannot have been seen yet.
-- grain: delay_days, seen_days
-- reads: piercings, events
-- params: as_of
-- columns:
--   delay_days integer: days from the piercing to the first record of the infection
--   seen_days integer: days from the piercing to the as-of date
--   infections bigint: how many
select greatest(cast(e.recorded_on - p.performed_on as integer), 0) as delay_days,
  cast($as_of - p.performed_on as integer) as seen_days,
  count(*) as infections
from events e
join piercings p on p.procedure_id = e.procedure_id
where e.complication = 'infection' and p.performed_on <= $as_of
group by greatest(cast(e.recorded_on - p.performed_on as integer), 0), cast($as_of - p.performed_on as integer)
