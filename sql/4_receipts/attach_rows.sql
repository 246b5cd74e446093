-- One row for each visit that stands behind a row of attach, and what it counts as there.
-- grain: dimension, level, period, id
-- reads: placed_visits
-- params:
-- columns:
--   dimension varchar: all, branch or practitioner
--   level varchar: the value
--   period varchar: a week, or 52w
--   item varchar: what is counted: a visit
--   id varchar: which
--   in_eligible_visits boolean: whether it counts in eligible_visits: each does
--   in_attached_visits boolean: whether it counts in attached_visits
--   in_provided_visits boolean: whether it counts in provided_visits
--   in_linked_visits boolean: whether it counts in linked_visits
select dimension, level, period, 'visit' as item, visit_id as id, true as in_eligible_visits,
  is_attached as in_attached_visits, is_provided as in_provided_visits, is_linked as in_linked_visits
from placed_visits
