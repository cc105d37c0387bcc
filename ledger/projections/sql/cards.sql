-- name: load
-- Cards by their keys.
select kind, key, card::text from cards
where (kind, key) in (select * from unnest(%(kinds)b::text[], %(keys)b::text[]))

-- name: changed
-- Cards that entries after a position have changed, up to some number.
select kind, key from cards where position > %(after)s limit %(limit)s

-- name: lines_since
-- The lines of one standing account at a moment and later.
select at, rank, position, units from account_lines where account = %(account)s and at >= %(since)s

-- name: units_at
-- The sum of one standing account's lines up to a position of the log.
select coalesce(sum(units), 0) from account_lines where account = %(account)s and position <= %(position)s

-- name: put
-- Write changed cards, which entries touched them, their lines and changed balances: four tables in one round trip.
with put_cards as (
    insert into cards (kind, key, version, position, card)
    select * from unnest(
        %(kind)b::text[], %(key)b::text[], %(version)b::integer[], %(position)b::bigint[], %(card)b::text[]::jsonb[])
    on conflict (kind, key) do update
    set version = excluded.version, position = excluded.position, card = excluded.card
), put_balances as (
    insert into balances
        (account, unit, holder, stage, place, crop, size, units, counted_at, counted_how, counted_by, last_at)
    select * from unnest(
        %(account)b::text[], %(unit)b::text[], %(holder)b::text[], %(stage)b::text[], %(place)b::text[],
        %(crop)b::text[], %(size)b::text[], %(units)b::bigint[], %(counted_at)b::timestamptz[], %(counted_how)b::text[],
        %(counted_by)b::text[], %(last_at)b::timestamptz[])
    on conflict (account, unit) do update
    set units = excluded.units, counted_at = excluded.counted_at, counted_how = excluded.counted_how,
        counted_by = excluded.counted_by, last_at = excluded.last_at
), put_lines as (
    insert into account_lines (account, at, rank, position, units)
    select * from unnest(
        %(line_account)b::text[], %(line_at)b::timestamptz[], %(line_rank)b::bigint[], %(line_position)b::bigint[],
        %(line_units)b::bigint[])
)
insert into history (kind, key, version, position)
select * from unnest(
    %(touched_kind)b::text[], %(touched_key)b::text[], %(touched_version)b::integer[], %(touched_position)b::bigint[])
