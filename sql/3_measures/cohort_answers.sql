-- One row for each piercing up to the as-of date and window of a followed complication that an asked answer vouches for.
-- grain: procedure_id, window_days
-- reads: piercings, answers, ref_windows, ref_complications, ref_followed
-- params: as_of
-- columns:
--   procedure_id varchar: the piercing
--   window_days integer: the window vouched for
--   answered_on date: the local day from which the first such answer was on record
select p.procedure_id, w.window_days, min(a.recorded_on) as answered_on
from piercings p
join answers a on a.visit_id = p.visit_id
join ref_windows w on a.answered_on - p.performed_on between w.first_answer_day and w.last_answer_day
where p.performed_on <= $as_of
  and w.window_days in (
    select window_days from ref_complications where complication in (select complication from ref_followed)
  )
group by p.procedure_id, w.window_days
