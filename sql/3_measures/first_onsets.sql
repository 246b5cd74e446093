-- One row for each day after the piercing and what was met first: a complication, the stud taken out, or the end of what
-- is known.
-- grain: complication, day
-- reads: first_met
-- params:
-- columns:
--   complication varchar: the complication or group, or stud_out; empty where none was known by the day
--   day integer: days from the piercing to the onset or contact, or to the last day known about
--   piercings bigint: how many
select complication, day, count(*) as piercings
from first_met
group by complication, day
