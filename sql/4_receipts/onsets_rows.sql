-- One row for each piercing that stands behind a row of onsets, and what it counts as there.
-- grain: complication, day, id
-- reads: first_met
-- params:
-- columns:
--   complication varchar: the complication or group, or stud_out
--   day integer: days from the piercing to the onset
--   item varchar: what is counted: a piercing
--   id varchar: which
--   in_at_risk boolean: whether it counts in at_risk: each does
--   in_onsets boolean: whether it counts in onsets
with begun as (
  select distinct complication, day from first_met where complication is not null
)
select b.complication, b.day, 'piercing' as item, m.procedure_id as id, true as in_at_risk,
  m.day = b.day and m.complication is not distinct from b.complication as in_onsets
from begun b
join first_met m on m.day >= b.day
