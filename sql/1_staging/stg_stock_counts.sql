-- One row for each count of a lot on a branch's shelf, as last taken in. Numbers come as text: one that is no whole number
-- of packs is unknown.
-- grain: branch_id, lot_no, counted_at
-- reads: raw_stock_counts, stg_branches
-- params: timezone
-- columns:
--   branch_id varchar: the branch
--   lot_no varchar: the lot
--   counted_at timestamp: when it was counted, in UTC
--   counted_on date: the local day
--   on_hand bigint: unopened packs on the shelf
--   spoiled bigint: packs thrown away since the count before
select branch_id, lot_no, counted_at, local_day(counted_at, zone) as counted_on,
  try_cast(regexp_extract(on_hand, '^([0-9]+)([.]0+)?$', 1) as bigint) as on_hand,
  try_cast(regexp_extract(spoiled, '^([0-9]+)([.]0+)?$', 1) as bigint) as spoiled
from (
  select *, row_number() over (partition by branch_id, lot_no, counted_at order by seq desc) as newness
  from (
    select r.* replace (instant(r.counted_at, coalesce(b.zone, $timezone)) as counted_at),
      coalesce(b.zone, $timezone) as zone
    from raw_stock_counts r
    left join stg_branches b using (branch_id)
  ) read
) versions
where newness = 1
