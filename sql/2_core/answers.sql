-- One row for each day on which a branch asked after a visit and learned how its piercings were doing.
-- grain: visit_id, answered_on
-- reads: asked_answers
-- params:
-- columns:
--   visit_id varchar: the visit
--   answered_on date: the local day of the answer
--   recorded_on date: the local day from which the answer was on record
select visit_id, answered_on, min(recorded_on) as recorded_on
from asked_answers
group by visit_id, answered_on
