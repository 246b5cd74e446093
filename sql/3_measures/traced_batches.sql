-- One row for each piercing, mature or not, and aftercare batch that its visit was sold or given.
-- grain: procedure_id, batch_no
-- reads: exposures
-- params:
-- columns:
--   procedure_id varchar: the piercing
--   batch_no varchar: the aftercare product's batch
select procedure_id, batch_no
from exposures
