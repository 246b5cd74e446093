-- One row for each lot and branch that received, used or counted it: its packs, and the latest count of them.
-- Each completed or abandoned piercing uses a pack. The row without a branch has what the whole chain received, and what
-- the branches without deliveries of their own made of it.
-- grain: lot_no, branch_id
-- reads: stg_lots, stg_stock_counts, stg_procedures, ageing
-- params: as_of
-- columns:
--   lot_no varchar: the lot
--   branch_id varchar: the branch; empty for the whole chain
--   received bigint: packs received; empty where a delivery does not say, or none is known
--   used bigint: packs used
--   spoiled bigint: packs thrown away; empty where a count does not say, or there is none
--   counted_on date: the local day of the latest count
--   on_hand bigint: packs on the shelf then; empty where it does not say
--   received_since bigint: packs received after that day
--   used_since bigint: packs used since
--   is_delivered boolean: whether a delivery of it is known
--   is_on_record boolean: whether no record of its use can have aged out
--   article_id varchar: the stud model in it; empty where its deliveries do not agree
--   expires_on date: the first day that a delivery of it gives as its last
--   used_lately bigint: packs used in the 56 days that end on the as-of date
with delivered as (
  select lot_no, branch_id,
    case when count(quantity) = count(*) then cast(sum(quantity) as bigint) end as received,
    count(case when (select max(cutoff) from ageing) > coalesce(received_on, date '1970-01-01') then 1 end) = 0
      as is_on_record
  from stg_lots
  where received_on is null or received_on <= $as_of
  group by lot_no, branch_id
),
contents as (
  select lot_no, case when min(article_id) = max(article_id) then min(article_id) end as article_id,
    min(expires_on) as expires_on
  from stg_lots
  group by lot_no
),
taken as (
  select lot_no, branch_id, performed_at, performed_on
  from (
    select *, row_number() over (partition by procedure_id order by recorded_at desc, seq desc) as newness
    from stg_procedures
    where recorded_on <= $as_of
  ) versions
  where newness = 1 and status in ('completed', 'abandoned') and lot_no is not null
),
counts as (
  select lot_no, branch_id, counted_at, counted_on, on_hand, spoiled,
    row_number() over (partition by lot_no, branch_id order by counted_at desc) as place
  from stg_stock_counts
  where counted_on <= $as_of
),
came as (
  select l.lot_no, l.branch_id, cast(sum(l.quantity) as bigint) as received_since
  from stg_lots l
  join counts c on c.lot_no = l.lot_no and c.branch_id = l.branch_id and c.place = 1
  where l.received_on > c.counted_on and l.received_on <= $as_of
  group by l.lot_no, l.branch_id
),
spoilt as (
  select lot_no, branch_id, case when count(spoiled) = count(*) then cast(sum(spoiled) as bigint) end as spoiled
  from counts
  group by lot_no, branch_id
),
used as (
  select t.lot_no, t.branch_id, count(*) as used,
    count(case when t.performed_at > c.counted_at then 1 end) as used_since,
    count(case when t.performed_on > cast($as_of as date) - 56 then 1 end) as used_lately
  from taken t
  left join counts c on c.lot_no = t.lot_no and c.branch_id = t.branch_id and c.place = 1
  group by t.lot_no, t.branch_id
),
holders as (
  select lot_no, branch_id from delivered where branch_id is not null
  union
  select lot_no, branch_id from taken
  union
  select lot_no, branch_id from counts
),
held as (
  select h.lot_no, h.branch_id, d.received, coalesce(u.used, 0) as used, s.spoiled, c.counted_on, c.on_hand,
    case when c.lot_no is not null then coalesce(m.received_since, 0) end as received_since,
    case when c.lot_no is not null then coalesce(u.used_since, 0) end as used_since,
    coalesce(d.is_on_record, (select count(*) from ageing) = 0) as is_on_record,
    d.lot_no is not null as is_delivered, coalesce(u.used_lately, 0) as used_lately
  from holders h
  left join delivered d on d.lot_no = h.lot_no and d.branch_id = h.branch_id
  left join used u on u.lot_no = h.lot_no and u.branch_id = h.branch_id
  left join came m on m.lot_no = h.lot_no and m.branch_id = h.branch_id
  left join spoilt s on s.lot_no = h.lot_no and s.branch_id = h.branch_id
  left join counts c on c.lot_no = h.lot_no and c.branch_id = h.branch_id and c.place = 1
)
select h.lot_no, h.branch_id, h.received, h.used, h.spoiled, h.counted_on, h.on_hand, h.received_since, h.used_since,
  h.is_delivered, h.is_on_record, c.article_id, c.expires_on, h.used_lately
from held h
left join contents c on c.lot_no = h.lot_no
union all
select d.lot_no, null, d.received, cast(coalesce(sum(h.used), 0) as bigint),
  case when count(h.spoiled) = count(h.lot_no) then cast(sum(h.spoiled) as bigint) end,
  null, null, null, null, true, d.is_on_record, c.article_id, c.expires_on,
  cast(coalesce(sum(h.used_lately), 0) as bigint)
from delivered d
left join held h on h.lot_no = d.lot_no and not h.is_delivered
left join contents c on c.lot_no = d.lot_no
where d.branch_id is null
group by d.lot_no, d.received, d.is_on_record, c.article_id, c.expires_on
