-- The log and its pen.

-- The one pen: every writing transaction locks this row first and holds it to its commit. So the order of positions
-- is the order of commits and of visibility, a rollback leaves no gap, and a decision taken under it cannot be raced.
create table pen (
    the_only boolean primary key default true check (the_only),
    position bigint not null check (position >= 0),
    recorded_at timestamptz not null
);
insert into pen (position, recorded_at) values (0, 'epoch');

-- Everything known is an entry. `content` is the whole of it as canonical JSON; the other columns repeat parts of it.
create table entries (
    position bigint primary key,
    id uuid not null unique,
    type text not null,
    schema smallint not null,
    occurred_at timestamptz not null,
    recorded_at timestamptz not null,
    booked_on date not null,
    person text not null,
    client text not null,
    reverses uuid unique,
    digest bytea not null,
    content text not null
);
create index entries_by_type on entries (type, position);
create index entries_by_person on entries (person, position);

create function entries_are_for_ever() returns trigger language plpgsql as $$
begin
    raise exception 'entries are never changed or removed: write a reversed entry' using errcode = 'TB001';
end
$$;
create trigger entries_keep_rows before update or delete on entries
    for each row execute function entries_are_for_ever();
create trigger entries_keep before update or delete or truncate on entries
    for each statement execute function entries_are_for_ever();
-- always: also for a superuser who replays as a replica
alter table entries enable always trigger entries_keep_rows;
alter table entries enable always trigger entries_keep;

-- Keys of systems and devices. Secrets do not belong in a log that is kept for ever: this table is not an entry's.
create table keys (
    prefix text primary key,
    hash bytea not null unique,
    name text not null,
    scopes text[] not null,
    made_at timestamptz not null default clock_timestamp(),
    expires_at timestamptz,
    revoked_at timestamptz,
    last_used_on date
);

-- Which projections stand here: the version of their tables, and how far they have followed the log.
create table projections (
    name text primary key,
    version integer not null,
    position bigint not null
);

grant usage on schema public to tallybench_app;
grant select, update on pen to tallybench_app;
grant select, insert on entries to tallybench_app;
grant select on keys to tallybench_app;
grant update (last_used_on) on keys to tallybench_app;
grant select, update on projections to tallybench_app;
