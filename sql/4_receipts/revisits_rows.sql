-- One row for each due revisit that stands behind a row of revisits, and what it counts as there.
-- A thread with several is counted by the first of them, in text order.
-- grain: dimension, level, period, id
-- reads: placed_revisits
-- params:
-- columns:
--   dimension varchar: all or branch
--   level varchar: the value
--   period varchar: a week, or 52w
--   item varchar: what is counted: a revisit
--   id varchar: which
--   in_due boolean: whether it counts in due: each does
--   in_attended boolean: whether it counts in attended
--   in_no_show boolean: whether it counts in no_show
--   in_cancelled_late boolean: whether it counts in cancelled_late
--   in_unknown boolean: whether it counts in unknown
--   in_threads boolean: whether its thread is counted by it in threads
--   in_kept_in_the_end boolean: whether its thread is counted by it in kept_in_the_end
select dimension, level, period, 'revisit' as item, revisit_id as id, true as in_due,
  status = 'attended' as in_attended, status = 'no_show' as in_no_show, status = 'cancelled_late' as in_cancelled_late,
  status = 'unknown' as in_unknown, place = 1 as in_threads, place = 1 and is_kept_in_the_end as in_kept_in_the_end
from (
  select *, row_number() over (partition by dimension, level, period, thread_id order by revisit_id) as place
  from placed_revisits
) revisits_of_thread
