-- One row for each visit, piercing, known infection and receipt line that counts in one of the two last whole weeks.
-- grain: week, kind, record
-- reads: visits, piercings, events, takings, stg_procedures, stg_sales
-- params: as_of
-- columns:
--   week date: the Monday of the week it counts in
--   kind varchar: visit, piercing, infection or taking
--   record varchar: its id; of a receipt line the receipt and the line
--   branch_id varchar: the branch
--   currency varchar: of a receipt line the currency of its amount
--   amount decimal(38,10): 1, or the money of a receipt line, below nought for a refund
--   first_recorded_on date: the local day on which it, or the first report of the infection, was first recorded
with weeks as (
  select cast(date_trunc('week', cast($as_of as date) - 6) as date) as last_monday
),
first_of_piercing as (
  select procedure_id, min(recorded_on) as recorded_on from stg_procedures group by procedure_id
),
first_of_visit as (
  select visit_id, min(recorded_on) as recorded_on from stg_procedures group by visit_id
),
first_of_line as (
  select sale_id, line_no, min(recorded_on) as recorded_on from stg_sales group by sale_id, line_no
),
records as (
  select v.week, 'visit' as kind, v.visit_id as record, v.branch_id, null as currency, 1 as amount,
    f.recorded_on as first_recorded_on
  from visits v
  join first_of_visit f on f.visit_id = v.visit_id
  union all
  select p.week, 'piercing', p.procedure_id, p.branch_id, null, 1, f.recorded_on
  from piercings p
  join first_of_piercing f on f.procedure_id = p.procedure_id
  union all
  select p.week, 'infection', p.procedure_id, p.branch_id, null, 1, e.recorded_on
  from piercings p
  join events e on e.procedure_id = p.procedure_id and e.complication = 'infection'
  union all
  select t.week, 'taking', t.sale_id || ':' || cast(t.line_no as varchar), t.branch_id, t.currency,
    t.aftercare_net + t.jewellery_net, f.recorded_on
  from takings t
  join first_of_line f on f.sale_id = t.sale_id and f.line_no = t.line_no
)
select r.week, r.kind, r.record, r.branch_id, r.currency, cast(r.amount as decimal(38, 10)) as amount,
  r.first_recorded_on
from records r
join weeks w on r.week between w.last_monday - 7 and w.last_monday
