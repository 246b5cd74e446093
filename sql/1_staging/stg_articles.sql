-- One row for each article, as last taken in.
-- grain: article_id
-- reads: raw_articles
-- params:
-- columns:
--   article_id varchar: the stud model
--   material varchar: what touches the skin
select article_id, material
from (
  select *, row_number() over (partition by article_id order by seq desc) as newness
  from raw_articles
) versions
where newness = 1
