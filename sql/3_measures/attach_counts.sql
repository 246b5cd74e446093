-- One row for each level and period: visits, and those that left with aftercare.
-- grain: dimension, level, period
-- reads: placed_visits
-- params:
-- columns:
--   dimension varchar: all, branch or practitioner
--   level varchar: the value
--   period varchar: a week, or 52w
--   eligible_visits bigint: visits with a completed piercing
--   attached_visits bigint: those sold aftercare, refunds in time taken off
--   provided_visits bigint: the same with gifts and bundle parts
--   linked_visits bigint: those any receipt line belongs to
select dimension, level, period, count(*) as eligible_visits,
  count(case when is_attached then 1 end) as attached_visits,
  count(case when is_provided then 1 end) as provided_visits,
  count(case when is_linked then 1 end) as linked_visits
from placed_visits
group by dimension, level, period
