-- How each file was read, which zone each run read wall times in, and known files that a later run looked at again.

alter table file add column mapping varchar default '';

alter table run add column timezone varchar;

create table recheck (run_id integer not null, file_id integer not null, mapping varchar not null);

create table tombstone (kind varchar not null, hash varchar not null, primary key (kind, hash));
