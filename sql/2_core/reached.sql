-- One row for each piercing and window for which an asked answer came in time to vouch for it.
-- grain: procedure_id, window_days
-- reads: piercings, answers, ref_windows
-- params:
-- columns:
--   procedure_id varchar: the piercing
--   window_days integer: the window vouched for
select distinct p.procedure_id, w.window_days
from piercings p
join answers a on a.visit_id = p.visit_id
join ref_windows w on a.answered_on - p.performed_on between w.first_answer_day and w.last_answer_day
