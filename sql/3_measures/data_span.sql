-- One row with the days the data covers. Empty days where there is no completed piercing.
-- grain:
-- reads: piercings
-- params:
-- columns:
--   data_from date: the first day with a completed piercing
--   last_piercing_on date: the last
--   piercings bigint: completed piercings known
select min(performed_on) as data_from, max(performed_on) as last_piercing_on, count(*) as piercings
from piercings
