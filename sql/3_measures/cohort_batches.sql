-- One row for each piercing up to the as-of date and aftercare batch that its visit was sold or given.
-- grain: procedure_id, batch_no
-- reads: piercings, exposures
-- params: as_of
-- columns:
--   procedure_id varchar: the piercing
--   batch_no varchar: the aftercare product's batch
select e.procedure_id, e.batch_no
from exposures e
join piercings p on p.procedure_id = e.procedure_id
where p.performed_on <= $as_of
