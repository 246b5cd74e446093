-- One row for each mature piercing that stands behind a row of client_shares, and what it counts as there.
-- A client is counted by the first of their piercings, in text order, and as affected by the first with an event.
-- grain: complication, id
-- reads: piercings_of_clients
-- params:
-- columns:
--   complication varchar: the complication or group
--   item varchar: what is counted: a piercing
--   id varchar: which
--   in_procedures boolean: whether it counts in procedures: each does
--   in_events boolean: whether it counts in events
--   in_clients boolean: whether its client is counted by it in clients
--   in_clients_with boolean: whether its client is counted by it in clients_with
select complication, 'piercing' as item, procedure_id as id, true as in_procedures, is_event as in_events,
  row_number() over (partition by complication, client_key, visit_id order by procedure_id) = 1 as in_clients,
  is_event and row_number() over (
    partition by complication, client_key, visit_id, is_event order by procedure_id
  ) = 1 as in_clients_with
from piercings_of_clients
