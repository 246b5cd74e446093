-- One row for each day on which a branch asked after a visit and learned how its piercings were doing.
-- grain: visit_id, answered_on
-- reads: follow_ups, stg_revisits
-- params: as_of
-- columns:
--   visit_id varchar: the visit
--   answered_on date: the local day of the answer
--   recorded_on date: the local day from which the answer was on record
select visit_id, answered_on, min(recorded_on) as recorded_on
from (
  select visit_id, contacted_on as answered_on, greatest(first_recorded_on, contacted_on) as recorded_on
  from follow_ups
  where visit_id is not null and is_asked and outcome in ('well', 'complication')
  union all
  select visit_id, starts_on, greatest(attended_recorded_on, starts_on)
  from (
    select *, row_number() over (partition by revisit_id order by recorded_at desc, seq desc) as newness,
      min(recorded_on) over (partition by revisit_id, status) as attended_recorded_on
    from stg_revisits
    where recorded_on <= $as_of
  ) versions
  where newness = 1 and status = 'attended' and coalesce(purpose, 'check') <> 'problem'
) both_ways
group by visit_id, answered_on
