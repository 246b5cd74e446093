-- One row for each level and period: visits, and those that left with aftercare.
-- A visit counts in the week of its day, and in `52w` for the 364 days that end on the as-of date.
-- grain: dimension, level, period
-- reads: visits, aftercare_of_visits
-- params: as_of, rate_period_days, missing
-- columns:
--   dimension varchar: all, branch or practitioner
--   level varchar: the value
--   period varchar: a week, or 52w
--   eligible_visits bigint: visits with a completed piercing
--   attached_visits bigint: those sold aftercare, refunds in time taken off
--   provided_visits bigint: the same with gifts and bundle parts
--   linked_visits bigint: those any receipt line belongs to
with counted as (
  select v.week, v.branch_id, coalesce(v.practitioner_id, $missing) as practitioner_id,
    a.is_attached, a.is_provided, a.is_linked,
    $as_of - v.visited_on between 0 and $rate_period_days - 1 as is_in_year
  from visits v
  join aftercare_of_visits a on a.visit_id = v.visit_id
),
placed as (
  select 'all' as dimension, 'all' as level, 'week:' || cast(week as varchar) as period,
    is_attached, is_provided, is_linked from counted
  union all
  select 'branch', branch_id, 'week:' || cast(week as varchar), is_attached, is_provided, is_linked from counted
  union all
  select 'all', 'all', '52w', is_attached, is_provided, is_linked from counted where is_in_year
  union all
  select 'branch', branch_id, '52w', is_attached, is_provided, is_linked from counted where is_in_year
  union all
  select 'practitioner', practitioner_id, '52w', is_attached, is_provided, is_linked from counted where is_in_year
)
select dimension, level, period, count(*) as eligible_visits,
  count(case when is_attached then 1 end) as attached_visits,
  count(case when is_provided then 1 end) as provided_visits,
  count(case when is_linked then 1 end) as linked_visits
from placed
group by dimension, level, period
