-- One row for each watched complication and mature piercing that counts in its rate, with whose it is.
-- Piercings of a client whose key was not recorded are told apart by visit.
-- grain: complication, procedure_id
-- reads: piercings, watched_piercings
-- params:
-- columns:
--   complication varchar: the complication or group
--   procedure_id varchar: the piercing
--   client_key varchar: the client's pseudonym, if recorded
--   visit_id varchar: the visit where no pseudonym was
--   is_event boolean: whether it has an event
select w.complication, w.procedure_id, p.client_key, case when p.client_key is null then p.visit_id end as visit_id,
  w.is_event
from watched_piercings w
join piercings p on p.procedure_id = w.procedure_id
