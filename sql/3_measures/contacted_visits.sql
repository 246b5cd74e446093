-- One row for each visit: how often its branch asked after it, and when anything was heard.
-- grain: visit_id
-- reads: visits, follow_ups, answers, stg_branches
-- params:
-- columns:
--   visit_id varchar: the client's stay
--   branch_id varchar: the branch
--   visited_on date: the local day
--   follow_up_policy varchar: how the branch asks after its clients
--   attempts bigint: contacts by which the branch asked, answered or not
--   last_asked_on date: the day of the last of them
--   no_answers bigint: those without an answer since the client was last heard from
--   last_answered_on date: the last day an asked answer came, at a revisit too
--   is_declined boolean: whether the client, of this visit or another, asked not to be asked
with heard as (
  select visit_id, max(contacted_on) as heard_on
  from follow_ups
  where outcome in ('well', 'complication')
  group by visit_id
),
asked as (
  select f.visit_id, count(*) as attempts, max(f.contacted_on) as last_asked_on,
    count(
      case when f.outcome = 'no_answer' and (h.heard_on is null or f.contacted_on > h.heard_on) then 1 end
    ) as no_answers
  from follow_ups f
  left join heard h on h.visit_id = f.visit_id
  where f.is_asked
  group by f.visit_id
),
answered as (
  select visit_id, max(answered_on) as last_answered_on from answers group by visit_id
),
declined as (
  select distinct visit_id from follow_ups where outcome = 'declined'
),
declining as (
  select distinct v.client_key from declined d join visits v on v.visit_id = d.visit_id
)
select v.visit_id, v.branch_id, v.visited_on, b.follow_up_policy, coalesce(a.attempts, 0) as attempts, a.last_asked_on,
  coalesce(a.no_answers, 0) as no_answers, w.last_answered_on,
  d.visit_id is not null or c.client_key is not null as is_declined
from visits v
left join asked a on a.visit_id = v.visit_id
left join answered w on w.visit_id = v.visit_id
left join declined d on d.visit_id = v.visit_id
left join declining c on c.client_key = v.client_key
left join stg_branches b on b.branch_id = v.branch_id
