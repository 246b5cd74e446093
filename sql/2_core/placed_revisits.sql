-- One row for each due revisit under every level and period it counts in.
-- A revisit counts in the week it starts, and in `52w` for the 364 days that end on the as-of date.
-- grain: dimension, level, period, revisit_id
-- reads: due_revisits
-- params: as_of, rate_period_days
-- columns:
--   dimension varchar: all or branch
--   level varchar: the value
--   period varchar: a week, or 52w
--   revisit_id varchar: the booking
--   status varchar: what became of it
--   thread_id varchar: joins a booking with those it was moved to
--   is_kept_in_the_end boolean: whether the thread has an attended revisit by the as-of date
select 'all' as dimension, 'all' as level, 'week:' || cast(week as varchar) as period,
  revisit_id, status, thread_id, is_kept_in_the_end
from due_revisits
union all
select 'branch', branch_id, 'week:' || cast(week as varchar), revisit_id, status, thread_id, is_kept_in_the_end
from due_revisits
union all
select 'all', 'all', '52w', revisit_id, status, thread_id, is_kept_in_the_end
from due_revisits where $as_of - starts_on between 0 and $rate_period_days - 1
union all
select 'branch', branch_id, '52w', revisit_id, status, thread_id, is_kept_in_the_end
from due_revisits where $as_of - starts_on between 0 and $rate_period_days - 1
