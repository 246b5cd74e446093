-- One row for each mature piercing that stands behind a row of branch_practitioners, and what it counts as there.
-- grain: branch_id, practitioner_id, site_group, id
-- reads: piercings, watched_piercings
-- params: missing
-- columns:
--   branch_id varchar: the branch
--   practitioner_id varchar: who pierced, aliases resolved
--   site_group varchar: the group of the site
--   item varchar: what is counted: a piercing
--   id varchar: which
--   in_procedures boolean: whether it counts in procedures: each does
--   in_events boolean: whether it counts in events
--   in_reached boolean: whether it counts in reached
select p.branch_id, coalesce(p.practitioner_id, $missing) as practitioner_id, p.site_group, 'piercing' as item,
  p.procedure_id as id, true as in_procedures, w.is_event as in_events, w.is_reached as in_reached
from watched_piercings w
join piercings p on p.procedure_id = w.procedure_id
where w.complication = 'infection'
