-- The ledger, the raw tables (one for each table of the contract, every version ever taken in) and the signals' memory.

create table store (application varchar not null, schema_version integer not null, key_fingerprint varchar not null);

create table run (
  run_id integer primary key,
  version varchar not null,
  started_at timestamp not null,
  finished_at timestamp not null,
  files integer not null,
  rows bigint not null,
  accepted bigint not null,
  rejected bigint not null,
  duplicate bigint not null,
  superseded bigint not null
);

create table file (
  file_id integer primary key,
  run_id integer not null,
  path varchar not null,
  table_name varchar not null,
  sha256 varchar not null,
  bytes bigint not null,
  is_readable boolean not null,
  undeclared varchar[] not null,
  rows bigint not null,
  accepted bigint not null,
  rejected bigint not null,
  duplicate bigint not null,
  superseded bigint not null,
  loaded_at timestamp not null,
  unique (path, table_name, sha256)
);

create table rejection (
  file_id integer not null,
  line bigint not null,
  column_name varchar not null,
  rule varchar not null,
  value_shape varchar not null,
  detail varchar not null
);

create table signal_memory (signal_id varchar primary key, raised_on date not null);

create table result_digest (digest varchar not null);

create table kept_settings (settings varchar not null);

create table raw_branches (
  seq bigint not null,
  run_id integer not null,
  file_id integer not null,
  line bigint not null,
  branch_id varchar,
  name varchar,
  region varchar,
  premises varchar,
  timezone varchar,
  opened_on date,
  follow_up_policy varchar
);

create table raw_practitioners (
  seq bigint not null,
  run_id integer not null,
  file_id integer not null,
  line bigint not null,
  practitioner_id varchar,
  home_branch_id varchar,
  trained_sites varchar,
  started_on date,
  ended_on date,
  alias_of varchar
);

create table raw_articles (
  seq bigint not null,
  run_id integer not null,
  file_id integer not null,
  line bigint not null,
  article_id varchar,
  material varchar,
  post_length_mm decimal(38, 10),
  clasp varchar,
  nickel_release varchar
);

create table raw_lots (
  seq bigint not null,
  run_id integer not null,
  file_id integer not null,
  line bigint not null,
  lot_no varchar,
  branch_id varchar,
  article_id varchar,
  quantity bigint,
  received_on date,
  expires_on date,
  recall_status varchar
);

create table raw_products (
  seq bigint not null,
  run_id integer not null,
  file_id integer not null,
  line bigint not null,
  product_id varchar,
  category varchar,
  list_price decimal(38, 10),
  bundle_of varchar
);

create table raw_procedures (
  seq bigint not null,
  run_id integer not null,
  file_id integer not null,
  line bigint not null,
  procedure_id varchar,
  visit_id varchar,
  client_key varchar,
  branch_id varchar,
  practitioner_id varchar,
  performed_at varchar,
  ear varchar,
  site varchar,
  article_id varchar,
  lot_no varchar,
  pack_expiry date,
  post_length_mm decimal(38, 10),
  age_years bigint,
  age_check varchar,
  consent varchar,
  aftercare_given varchar,
  immediate_event varchar,
  status varchar,
  recorded_at varchar
);

create table raw_follow_ups (
  seq bigint not null,
  run_id integer not null,
  file_id integer not null,
  line bigint not null,
  follow_up_id varchar,
  visit_id varchar,
  procedure_id varchar,
  client_key varchar,
  contacted_at varchar,
  channel varchar,
  initiated_by varchar,
  outcome varchar,
  complication varchar,
  onset_on date,
  severity bigint,
  certainty varchar,
  ear varchar,
  site varchar,
  clinician_seen boolean,
  stud_removed boolean,
  referred_same_day boolean,
  resolved_on date,
  recorded_at varchar
);

create table raw_revisits (
  seq bigint not null,
  run_id integer not null,
  file_id integer not null,
  line bigint not null,
  revisit_id varchar,
  thread_id varchar,
  visit_id varchar,
  client_key varchar,
  branch_id varchar,
  purpose varchar,
  booked_at varchar,
  starts_at varchar,
  status varchar,
  status_at varchar,
  reminder_sent boolean,
  recorded_at varchar
);

create table raw_sales (
  seq bigint not null,
  run_id integer not null,
  file_id integer not null,
  line bigint not null,
  sale_id varchar,
  line_no bigint,
  sold_at varchar,
  branch_id varchar,
  client_key varchar,
  visit_id varchar,
  product_id varchar,
  batch_no varchar,
  quantity bigint,
  net_amount decimal(38, 10),
  currency varchar,
  line_type varchar,
  refund_of varchar,
  recorded_at varchar
);

create table raw_stock_counts (
  seq bigint not null,
  run_id integer not null,
  file_id integer not null,
  line bigint not null,
  branch_id varchar,
  lot_no varchar,
  counted_at varchar,
  on_hand varchar,
  spoiled varchar
);
