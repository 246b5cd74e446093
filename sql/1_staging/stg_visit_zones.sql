-- One row for each visit with a completed piercing, by the newest versions taken in, with the time zone of its branch.
-- grain: visit_id
-- reads: stg_procedures
-- params:
-- columns:
--   visit_id varchar: the client's stay
--   zone varchar: the time zone of its first piercing's branch
--   performed_at timestamp: when that was, in UTC
--   performed_on date: the local day
select visit_id, zone, performed_at, performed_on
from (
  select *, row_number() over (partition by visit_id order by performed_at, procedure_id) as place
  from (
    select *, row_number() over (partition by procedure_id order by recorded_at desc, seq desc) as newness
    from stg_procedures
  ) versions
  where newness = 1 and status = 'completed'
) piercings
where place = 1
