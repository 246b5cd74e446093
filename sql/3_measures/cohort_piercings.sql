-- One row for each completed piercing up to the as-of date, with all that the watch tells piercings apart by.
-- grain: procedure_id
-- reads: piercings
-- params: as_of
-- columns:
--   procedure_id varchar: the piercing
--   visit_id varchar: the client's stay
--   performed_on date: the local day
--   branch_id varchar: the branch
--   site varchar: the site
--   site_group varchar: the group of the site
--   age_band varchar: the band of the client's age
--   article_id varchar: the stud model
--   material varchar: what touches the skin
--   practitioner_id varchar: who pierced
--   lot_no varchar: the pack's lot
select procedure_id, visit_id, performed_on, branch_id, site, site_group, age_band, article_id, material,
  practitioner_id, lot_no
from piercings
where performed_on <= $as_of
