-- One row for each day after the piercing and what was met first: a complication by then, or the end of what is known.
-- Piercings of the last year and of the days before it that the longest curve needs. A piercing is known about for so many
-- days, at most, as reports have had time to tell of; of onsets on one day the first in the list of complications counts.
-- grain: complication, day
-- reads: piercings, reports, ref_onsets
-- params: as_of, reporting_lag_days, rate_period_days, onset_days
-- columns:
--   complication varchar: the complication or group; empty where none was known by the day
--   day integer: days from the piercing to the onset, or to the last day known about
--   piercings bigint: how many
with followed as (
  select procedure_id,
    least(cast($as_of - $reporting_lag_days - performed_on as integer), cast($onset_days as integer)) as last_day
  from piercings
  where $as_of - $reporting_lag_days - performed_on between 0 and $rate_period_days + $onset_days - 1
),
onsets as (
  select f.procedure_id, o.complication, r.onset_day,
    row_number() over (partition by f.procedure_id order by r.onset_day, o.place) as place
  from followed f
  join reports r on r.procedure_id = f.procedure_id
  join ref_onsets o on o.kind = r.kind
  where r.onset_day between 0 and f.last_day
)
select o.complication, coalesce(o.onset_day, f.last_day) as day, count(*) as piercings
from followed f
left join onsets o on o.procedure_id = f.procedure_id and o.place = 1
group by o.complication, coalesce(o.onset_day, f.last_day)
