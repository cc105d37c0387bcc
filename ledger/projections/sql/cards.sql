-- name: load
-- Cards by their keys.
select kind, key, card::text from cards
where (kind, key) in (select * from unnest(%(kinds)s::text[], %(keys)s::text[]))

-- name: history
-- The entries that touched one card, in order.
select e.type, e.schema, e.content from history h join entries e using (position)
where h.kind = %(kind)s and h.key = %(key)s order by h.position

-- name: put_cards
-- Write changed cards.
insert into cards (kind, key, version, position, card)
select * from unnest(%(kind)s::text[], %(key)s::text[], %(version)s::integer[], %(position)s::bigint[], %(card)s::jsonb[])
on conflict (kind, key) do update
set version = excluded.version, position = excluded.position, card = excluded.card

-- name: put_history
-- Note which entries touched which cards.
insert into history (kind, key, version, position)
select * from unnest(%(kind)s::text[], %(key)s::text[], %(version)s::integer[], %(position)s::bigint[])

-- name: put_balances
-- Write changed balances.
insert into balances
    (account, unit, holder, stage, place, crop, size, units, counted_at, counted_how, counted_by, last_at)
select * from unnest(
    %(account)s::text[], %(unit)s::text[], %(holder)s::text[], %(stage)s::text[], %(place)s::text[], %(crop)s::text[],
    %(size)s::text[], %(units)s::bigint[], %(counted_at)s::timestamptz[], %(counted_how)s::text[], %(counted_by)s::text[],
    %(last_at)s::timestamptz[])
on conflict (account, unit) do update
set units = excluded.units, counted_at = excluded.counted_at, counted_how = excluded.counted_how,
    counted_by = excluded.counted_by, last_at = excluded.last_at
