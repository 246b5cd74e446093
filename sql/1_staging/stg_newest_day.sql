-- One row with the newest local day that any row taken in tells of: the default as-of date. Empty without rows.
-- grain:
-- reads: stg_procedures, stg_follow_ups, stg_revisits, stg_sales
-- params:
-- columns:
--   newest_on date: the newest of performed, contacted, sold and recorded days
select max(newest_on) as newest_on
from (
  select max(greatest(performed_on, recorded_on)) as newest_on from stg_procedures
  union all
  select max(greatest(contacted_on, recorded_on)) from stg_follow_ups
  union all
  select max(recorded_on) from stg_revisits where has_recorded_at
  union all
  select max(greatest(sold_on, recorded_on)) from stg_sales
) days
