-- One row for each completed piercing known by the as-of date, mature or not: what it was exposed to, when it was reached,
-- and whether it is known to have become infected.
-- grain: procedure_id
-- reads: piercings, answers, events, ref_windows, ref_complications
-- params:
-- columns:
--   procedure_id varchar: the piercing
--   visit_id varchar: the client's stay
--   branch_id varchar: the branch
--   practitioner_id varchar: who pierced, aliases resolved
--   performed_on date: the local day
--   ear varchar: which ear
--   site varchar: the place on the ear
--   site_group varchar: the group of the site
--   age_band varchar: the band of the client's age
--   article_id varchar: the stud model
--   material varchar: what touches the skin, if the article is known
--   lot_no varchar: the pack's lot
--   reached_on date: the first day of an asked answer that vouches for the window of infection; empty if not reached
--   is_infected boolean: whether it has an infection event
with infection as (
  select w.first_answer_day, w.last_answer_day
  from ref_windows w
  where w.window_days = (select max(window_days) from ref_complications where complication = 'infection')
),
heard as (
  select p.procedure_id, min(a.answered_on) as reached_on
  from piercings p
  join answers a on a.visit_id = p.visit_id
  join infection i on a.answered_on - p.performed_on between i.first_answer_day and i.last_answer_day
  group by p.procedure_id
)
select p.procedure_id, p.visit_id, p.branch_id, p.practitioner_id, p.performed_on, p.ear, p.site, p.site_group,
  p.age_band, p.article_id, p.material, p.lot_no, r.reached_on, e.procedure_id is not null as is_infected
from piercings p
left join heard r on r.procedure_id = p.procedure_id
left join events e on e.procedure_id = p.procedure_id and e.complication = 'infection'
