-- One row for each piercing that has a complication, or one of a group, with an onset inside its window.
-- grain: procedure_id, complication
-- reads: event_reports
-- params:
-- columns:
--   procedure_id varchar: the piercing
--   complication varchar: the complication or group
--   recorded_on date: the local day the first report of it was recorded
--   is_attributed boolean: whether none of its reports names the piercing
select procedure_id, complication, min(recorded_on) as recorded_on, bool_and(is_attributed) as is_attributed
from event_reports
group by procedure_id, complication
