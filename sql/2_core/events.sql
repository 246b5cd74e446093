-- One row for each piercing that has a complication, or one of a group, with an onset inside its window.
-- grain: procedure_id, complication
-- reads: reports, ref_complications
-- params:
-- columns:
--   procedure_id varchar: the piercing
--   complication varchar: the complication or group
--   recorded_on date: the local day the first report of it was recorded
--   is_attributed boolean: whether none of its reports names the piercing
select r.procedure_id, c.complication, min(r.recorded_on) as recorded_on, bool_and(r.is_attributed) as is_attributed
from reports r
join ref_complications c on c.kind = r.kind
where r.onset_day between 0 and c.window_days
group by r.procedure_id, c.complication
