-- One row for each piercing, dimension and level it stands under; a value not recorded stands under `(missing)`.
-- grain: procedure_id, dimension, level
-- reads: piercings, exposures
-- params: missing
-- columns:
--   procedure_id varchar: the piercing
--   dimension varchar: what the piercings are told apart by
--   level varchar: the value
select procedure_id, 'all' as dimension, 'all' as level from piercings
union all
select procedure_id, 'branch', branch_id from piercings
union all
select procedure_id, 'site', site from piercings
union all
select procedure_id, 'site_group', site_group from piercings
union all
select procedure_id, 'ear', coalesce(ear, $missing) from piercings
union all
select procedure_id, 'article', coalesce(article_id, $missing) from piercings
union all
select procedure_id, 'material', coalesce(material, $missing) from piercings
union all
select procedure_id, 'practitioner', coalesce(practitioner_id, $missing) from piercings
union all
select procedure_id, 'lot', coalesce(lot_no, $missing) from piercings
union all
select procedure_id, 'batch', batch_no from exposures
union all
select procedure_id, 'age_band', coalesce(age_band, $missing) from piercings
union all
select procedure_id, 'practitioner:site_group', coalesce(practitioner_id, $missing) || ':' || site_group from piercings
