-- One row for each complication reported of a piercing, by a follow-up or by the record of the piercing itself.
-- grain: report_id
-- reads: attributions, piercings
-- params:
-- columns:
--   report_id varchar: the follow-up, or the piercing for an event during it
--   procedure_id varchar: the piercing
--   kind varchar: the complication
--   onset_day integer: days from the piercing to the onset
--   recorded_on date: the local day it was first recorded
--   is_attributed boolean: whether the report names no piercing
select 'follow_up:' || follow_up_id as report_id, procedure_id, complication as kind, onset_day, recorded_on, is_attributed
from attributions
where complication is not null
union all
select 'procedure:' || procedure_id, procedure_id, immediate_event, 0, event_recorded_on, false
from piercings
where immediate_event is not null
