-- One row for each visit under every level and period it counts in, with whether its client left with aftercare.
-- A visit counts in the week of its day, and in `52w` for the 364 days that end on the as-of date.
-- grain: dimension, level, period, visit_id
-- reads: visits, aftercare_of_visits
-- params: as_of, rate_period_days, missing
-- columns:
--   dimension varchar: all, branch or practitioner
--   level varchar: the value
--   period varchar: a week, or 52w
--   visit_id varchar: the visit
--   is_attached boolean: whether it was sold aftercare, refunds in time taken off
--   is_provided boolean: the same with gifts and bundle parts
--   is_linked boolean: whether any receipt line belongs to it
with counted as (
  select v.visit_id, v.week, v.branch_id, coalesce(v.practitioner_id, $missing) as practitioner_id,
    a.is_attached, a.is_provided, a.is_linked,
    $as_of - v.visited_on between 0 and $rate_period_days - 1 as is_in_year
  from visits v
  join aftercare_of_visits a on a.visit_id = v.visit_id
)
select 'all' as dimension, 'all' as level, 'week:' || cast(week as varchar) as period,
  visit_id, is_attached, is_provided, is_linked from counted
union all
select 'branch', branch_id, 'week:' || cast(week as varchar), visit_id, is_attached, is_provided, is_linked from counted
union all
select 'all', 'all', '52w', visit_id, is_attached, is_provided, is_linked from counted where is_in_year
union all
select 'branch', branch_id, '52w', visit_id, is_attached, is_provided, is_linked from counted where is_in_year
union all
select 'practitioner', practitioner_id, '52w', visit_id, is_attached, is_provided, is_linked
from counted where is_in_year
