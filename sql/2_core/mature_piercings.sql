-- One row for each piercing and window that counts in the rates of the as-of date: mature, and in the 364-day period.
-- grain: procedure_id, window_days
-- reads: piercings, reached, ref_windows
-- params: as_of, reporting_lag_days, rate_period_days
-- columns:
--   procedure_id varchar: the piercing
--   window_days integer: days in which an onset counts
--   is_reached boolean: whether an asked answer vouches for the window
select p.procedure_id, w.window_days, r.procedure_id is not null as is_reached
from piercings p
join ref_windows w
  on $as_of - w.window_days - $reporting_lag_days - p.performed_on between 0 and $rate_period_days - 1
left join reached r on r.procedure_id = p.procedure_id and r.window_days = w.window_days
