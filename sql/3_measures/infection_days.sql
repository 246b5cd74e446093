-- One row for each day, branch and stratum of case mix: piercings, and infections among them known so far.
-- grain: performed_on, branch_id, site_group, age_band
-- reads: piercings, events
-- params: missing
-- columns:
--   performed_on date: the local day of the piercings
--   week date: the Monday of its week
--   branch_id varchar: the branch
--   site_group varchar: the group of the site
--   age_band varchar: the band of the client's age
--   procedures bigint: completed piercings
--   infections bigint: those with an infection event
select p.performed_on, p.week, p.branch_id, p.site_group, coalesce(p.age_band, $missing) as age_band,
  count(*) as procedures, count(e.procedure_id) as infections
from piercings p
left join events e on e.procedure_id = p.procedure_id and e.complication = 'infection'
group by p.performed_on, p.week, p.branch_id, p.site_group, coalesce(p.age_band, $missing)
