-- What the watch remembers from night to night, a JSON document for each signal, set of thresholds and note.

drop table signal_memory;

create table watch_memory (kind varchar not null, id varchar not null, entry varchar not null, primary key (kind, id));
