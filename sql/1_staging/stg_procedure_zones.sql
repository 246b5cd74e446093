-- One row for each piercing whose newest version is completed, with the time zone of its visit.
-- grain: procedure_id
-- reads: stg_procedures, stg_visit_zones
-- params:
-- columns:
--   procedure_id varchar: the piercing
--   zone varchar: the time zone
select p.procedure_id, v.zone
from (
  select *, row_number() over (partition by procedure_id order by recorded_at desc, seq desc) as newness
  from stg_procedures
) p
join stg_visit_zones v on v.visit_id = p.visit_id
where p.newness = 1 and p.status = 'completed'
