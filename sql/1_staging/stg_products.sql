-- One row for each product, as last taken in.
-- grain: product_id
-- reads: raw_products
-- params:
-- columns:
--   product_id varchar: the product
--   category varchar: what kind of product
select product_id, category
from (
  select *, row_number() over (partition by product_id order by seq desc) as newness
  from raw_products
) versions
where newness = 1
