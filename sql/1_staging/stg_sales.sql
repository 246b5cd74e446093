-- One row for each version of a receipt's line, with its days by its own branch's calendar.
-- grain: seq
-- reads: raw_sales, stg_branches
-- params: timezone
-- columns:
--   seq bigint: the order in which versions were taken in
--   sale_id varchar: the receipt
--   line_no bigint: the line on it
--   branch_id varchar: the branch
--   client_key varchar: the client's pseudonym
--   visit_id varchar: the visit it names
--   product_id varchar: the product
--   batch_no varchar: the product's batch
--   quantity bigint: how many
--   net_amount decimal(38,10): money for the line
--   currency varchar: the amount's currency
--   line_type varchar: what kind of line
--   refund_of varchar: the receipt a refund takes back
--   sold_on date: the local day
--   recorded_at timestamp: when the version was recorded, in UTC
--   recorded_on date: the local day of that
select seq, sale_id, line_no, branch_id, client_key, visit_id, product_id, batch_no, quantity, net_amount, currency,
  coalesce(line_type, 'sale') as line_type, refund_of,
  local_day(sold_at, zone) as sold_on,
  recorded_at, local_day(recorded_at, zone) as recorded_on
from (
  select r.* replace (
      instant(r.sold_at, coalesce(b.zone, $timezone)) as sold_at,
      instant(coalesce(r.recorded_at, r.sold_at), coalesce(b.zone, $timezone)) as recorded_at
    ),
    coalesce(b.zone, $timezone) as zone
  from raw_sales r
  left join stg_branches b using (branch_id)
) versions
