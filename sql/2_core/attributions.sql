-- One row for each follow-up that reports a complication or a stud taken out, with the piercing it is about.
-- A follow-up that names no piercing is attributed to one: among its visit's those that match the ear and site it names
-- (all, if none does), the first in text order. A piercing without an ear matches only a report that names none.
-- grain: follow_up_id
-- reads: follow_ups, piercings
-- params:
-- columns:
--   follow_up_id varchar: the contact
--   procedure_id varchar: the piercing
--   complication varchar: the complication it reports, if any
--   onset_day integer: days from the piercing to the onset of that
--   stud_out_day integer: days from the piercing to the contact that tells of the stud taken out, if it does
--   recorded_on date: the local day on which what it reports was first recorded
--   is_attributed boolean: whether it names no piercing
with candidates as (
  select f.follow_up_id, f.complication, f.onset_on, f.stud_removed, f.contacted_on, f.first_recorded_on,
    f.procedure_id as named_id, p.procedure_id, p.performed_on,
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
  where f.complication is not null or f.stud_removed
)
select follow_up_id, procedure_id, complication,
  case when complication is not null then cast(onset_on - performed_on as integer) end as onset_day,
  case when stud_removed then cast(contacted_on - performed_on as integer) end as stud_out_day,
  first_recorded_on as recorded_on, named_id is null as is_attributed
from candidates
where place = 1
