-- When the device of a key was last heard of, and how many entries it said were waiting on it to be sent.
alter table keys add column heard_at timestamptz, add column waiting integer not null default 0;
grant update (heard_at, waiting) on keys to tallybench_app;
