-- One row for each complication reported of a piercing, by a follow-up or by the record of the piercing itself.
-- A follow-up that names no piercing is attributed to one: among its visit's those that match the ear and site it names
-- (all, if none does), the first in text order. A piercing without an ear matches only a report that names none.
-- grain: report_id
-- reads: follow_ups, piercings
-- params:
-- columns:
--   report_id varchar: the follow-up, or the piercing for an event during it
--   procedure_id varchar: the piercing
--   kind varchar: the complication
--   onset_day integer: days from the piercing to the onset
--   recorded_on date: the local day it was first recorded
--   is_attributed boolean: whether the report names no piercing
with candidates as (
  select f.follow_up_id, f.complication, f.onset_on, f.first_recorded_on as recorded_on, f.procedure_id as named_id,
    p.procedure_id, p.performed_on,
    row_number() over (
      partition by f.follow_up_id
      order by
        case
          when p.procedure_id = f.procedure_id then 0
          when f.procedure_id is null and (f.ear is null or f.ear = p.ear) and (f.site is null or f.site = p.site) then 1
          else 2
        end,
        p.procedure_id
    ) as place
  from follow_ups f
  join piercings p on p.visit_id = f.visit_id
  where f.complication is not null
)
select 'follow_up:' || follow_up_id as report_id, procedure_id, complication as kind,
  cast(onset_on - performed_on as integer) as onset_day, recorded_on, named_id is null as is_attributed
from candidates
where place = 1
union all
select 'procedure:' || procedure_id, procedure_id, immediate_event, 0, event_recorded_on, false
from piercings
where immediate_event is not null
