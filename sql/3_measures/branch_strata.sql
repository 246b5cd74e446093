-- One row for each branch, complication and stratum of case mix: mature piercings of the period, and events among them.
-- grain: branch_id, complication, site_group, age_band
-- reads: piercings, mature_piercings, events, ref_complications
-- params: missing
-- columns:
--   branch_id varchar: the branch
--   complication varchar: the complication or group
--   site_group varchar: the group of the site
--   age_band varchar: the band of the client's age
--   procedures bigint: mature piercings
--   events bigint: those with an event
select p.branch_id, w.complication, p.site_group, coalesce(p.age_band, $missing) as age_band,
  count(*) as procedures, count(e.procedure_id) as events
from (select distinct complication, window_days from ref_complications) w
join mature_piercings m on m.window_days = w.window_days
join piercings p on p.procedure_id = m.procedure_id
left join events e on e.procedure_id = p.procedure_id and e.complication = w.complication
group by p.branch_id, w.complication, p.site_group, coalesce(p.age_band, $missing)
