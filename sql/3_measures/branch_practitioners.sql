-- One row for each branch, practitioner and site group: mature piercings of the period, and infections among them.
-- grain: branch_id, practitioner_id, site_group
-- reads: piercings, mature_piercings, events, ref_complications
-- params: missing
-- columns:
--   branch_id varchar: the branch
--   practitioner_id varchar: who pierced, aliases resolved
--   site_group varchar: the group of the site
--   procedures bigint: mature piercings
--   events bigint: those with an infection event
--   reached bigint: those an asked answer vouches for
select p.branch_id, coalesce(p.practitioner_id, $missing) as practitioner_id, p.site_group,
  count(*) as procedures, count(e.procedure_id) as events, count(case when m.is_reached then 1 end) as reached
from piercings p
join mature_piercings m on m.procedure_id = p.procedure_id and m.window_days = (select max(window_days) from ref_complications where complication = 'infection')
left join events e on e.procedure_id = p.procedure_id and e.complication = 'infection'
group by p.branch_id, coalesce(p.practitioner_id, $missing), p.site_group
