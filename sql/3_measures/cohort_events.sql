-- One row for each piercing up to the as-of date and followed complication that is known of it.
-- grain: procedure_id, complication
-- reads: piercings, events, ref_followed
-- params: as_of
-- columns:
--   procedure_id varchar: the piercing
--   complication varchar: the complication or group
--   recorded_on date: the local day it was first recorded, the piercing's own at the earliest
select e.procedure_id, e.complication, greatest(e.recorded_on, p.performed_on) as recorded_on
from events e
join piercings p on p.procedure_id = e.procedure_id
where p.performed_on <= $as_of and e.complication in (select complication from ref_followed)
