-- One row for each week and branch: piercings, and those an asked answer vouches for within the window of infection.
-- grain: week, branch_id
-- reads: piercings, reached, ref_complications
-- params:
-- columns:
--   week date: the Monday
--   branch_id varchar: the branch
--   procedures bigint: completed piercings
--   reached bigint: those reached
select p.week, p.branch_id, count(*) as procedures, count(r.procedure_id) as reached
from piercings p
left join reached r on r.procedure_id = p.procedure_id and r.window_days = (select max(window_days) from ref_complications where complication = 'infection')
group by p.week, p.branch_id
