-- One row for each report and each complication or group it makes an event of: its onset lies inside the window.
-- grain: report_id, complication
-- reads: reports, ref_complications
-- params:
-- columns:
--   report_id varchar: the follow-up, or the piercing for an event during it
--   complication varchar: the complication or group
--   procedure_id varchar: the piercing
--   recorded_on date: the local day it was first recorded
--   is_attributed boolean: whether the report names no piercing
select r.report_id, c.complication, r.procedure_id, r.recorded_on, r.is_attributed
from reports r
join ref_complications c on c.kind = r.kind
where r.onset_day between 0 and c.window_days
