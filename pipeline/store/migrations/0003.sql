-- Weeks kept as they were last counted, from before rows that were aged out; the first column is the ageing that kept them.

create table ageing (cutoff date primary key, weeks_before date not null);

create table aged_weekly (
  cutoff date not null,
  week date,
  branch_id varchar,
  visits bigint,
  procedures bigint,
  infections_observed bigint,
  infections_expected double,
  aftercare_net decimal(38, 10),
  jewellery_net decimal(38, 10),
  currency varchar,
  mature boolean
);

create table aged_attach (
  cutoff date not null,
  dimension varchar,
  level varchar,
  period varchar,
  eligible_visits bigint,
  attached_visits bigint,
  rate double,
  wilson_low double,
  wilson_high double,
  provided_visits bigint,
  linked_visits bigint
);

create table aged_revisits (
  cutoff date not null,
  dimension varchar,
  level varchar,
  period varchar,
  due bigint,
  attended bigint,
  no_show bigint,
  cancelled_late bigint,
  unknown bigint,
  no_show_rate double,
  wilson_low double,
  wilson_high double,
  threads bigint,
  kept_in_the_end bigint
);

create table aged_coverage (
  cutoff date not null,
  week date,
  branch_id varchar,
  procedures bigint,
  reached bigint,
  coverage double,
  coverage_low double,
  coverage_high double,
  mature boolean
);
