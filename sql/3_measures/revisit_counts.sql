-- One row for each level and period: due revisits by what became of them.
-- grain: dimension, level, period
-- reads: placed_revisits
-- params:
-- columns:
--   dimension varchar: all or branch
--   level varchar: the value
--   period varchar: a week, or 52w
--   due bigint: due revisits, the sum of the next four
--   attended bigint: clients came
--   no_show bigint: clients did not come
--   cancelled_late bigint: cancelled too late to fill the place
--   unknown bigint: nobody wrote down what became of it
--   threads bigint: bookings with those they were moved to, as one
--   kept_in_the_end bigint: threads with an attended revisit by the as-of date
select dimension, level, period, count(*) as due,
  count(case when status = 'attended' then 1 end) as attended,
  count(case when status = 'no_show' then 1 end) as no_show,
  count(case when status = 'cancelled_late' then 1 end) as cancelled_late,
  count(case when status = 'unknown' then 1 end) as unknown,
  count(distinct thread_id) as threads,
  count(distinct case when is_kept_in_the_end then thread_id end) as kept_in_the_end
from placed_revisits
group by dimension, level, period
