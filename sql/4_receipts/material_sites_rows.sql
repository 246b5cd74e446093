-- One row for each mature piercing that stands behind a row of material_sites, and what it counts as there.
-- grain: complication, material, site_group, id
-- reads: piercings, watched_piercings
-- params: missing
-- columns:
--   complication varchar: the complication or group
--   material varchar: what touches the skin
--   site_group varchar: the group of the site
--   item varchar: what is counted: a piercing
--   id varchar: which
--   in_procedures boolean: whether it counts in procedures: each does
--   in_events boolean: whether it counts in events
--   in_reached boolean: whether it counts in reached
--   in_events_reached boolean: whether it counts in events_reached
select w.complication, coalesce(p.material, $missing) as material, p.site_group, 'piercing' as item, p.procedure_id as id,
  true as in_procedures, w.is_event as in_events, w.is_reached as in_reached,
  w.is_event and w.is_reached as in_events_reached
from watched_piercings w
join piercings p on p.procedure_id = w.procedure_id
