-- One row for each piercing that is followed: what was met first, and on which day; or the last day known about.
-- Piercings of the last year and of the days before it that the longest curve needs. A piercing is known about for so many
-- days, at most, as reports have had time to tell of; of onsets on one day the first in the list of complications counts.
-- A stud taken out ends what it can lead to. Nobody records the day, so it is that of the first contact that tells of it,
-- and it counts last of its day: one taken out for a complication counts as that complication, which began before, and a
-- lost stud, which is out as well, as lost.
-- grain: procedure_id
-- reads: piercings, reports, attributions, ref_onsets
-- params: as_of, reporting_lag_days, rate_period_days, onset_days
-- columns:
--   procedure_id varchar: the piercing
--   complication varchar: the complication or group, or stud_out; empty where none was known by the day
--   day integer: days from the piercing to the onset or contact, or to the last day known about
with followed as (
  select procedure_id,
    least(cast($as_of - $reporting_lag_days - performed_on as integer), cast($onset_days as integer)) as last_day
  from piercings
  where $as_of - $reporting_lag_days - performed_on between 0 and $rate_period_days + $onset_days - 1
),
told as (
  select procedure_id, kind, onset_day as day from reports
  union all
  select procedure_id, 'stud_out', stud_out_day from attributions where stud_out_day is not null
),
onsets as (
  select f.procedure_id, o.complication, t.day,
    row_number() over (partition by f.procedure_id order by t.day, o.place) as place
  from followed f
  join told t on t.procedure_id = f.procedure_id
  join ref_onsets o on o.kind = t.kind
  where t.day between 0 and f.last_day
)
select f.procedure_id, o.complication, coalesce(o.day, f.last_day) as day
from followed f
left join onsets o on o.procedure_id = f.procedure_id and o.place = 1
