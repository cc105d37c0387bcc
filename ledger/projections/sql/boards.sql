-- name: open_promises
-- Lines of promises with anything left to pick, the earliest due first, a page at a time; the name of a line is in `after`.
select (line.value ->> 'due') || '/' || c.key || '/' || line.key, c.key, line.key::integer, c.card ->> 'order',
       c.card ->> 'state', c.card ->> 'region', c.card ->> 'replaces', line.value::text
from cards c cross join lateral jsonb_each(c.card -> 'lines') as line
where c.kind = 'promise' and c.card -> 'open' is not null and c.card ->> 'state' = any(%(states)s)
  and coalesce((line.value ->> 'open')::integer, 0) > 0
  and (not %(at_risk)s or line.value -> 'risk' is not null)
  and (%(order)s::text is null or c.card ->> 'order' = %(order)s)
  and (%(crop)s::text is null or line.value ->> 'crop' = %(crop)s)
  and (%(size)s::text is null or line.value ->> 'size' = %(size)s)
  and (%(until)s::date is null or (line.value ->> 'due')::date <= %(until)s)
  and ((line.value ->> 'due') || '/' || c.key || '/' || line.key) collate "C" > %(after)s
order by ((line.value ->> 'due') || '/' || c.key || '/' || line.key) collate "C" limit %(limit)s

-- name: open_promises_in_all
-- How many lines of promises have anything left to pick, of how many units, and how many of them are at risk.
select count(*), coalesce(sum((line.value ->> 'open')::integer), 0)::bigint, count(*) filter (where line.value -> 'risk' is not null)
from cards c cross join lateral jsonb_each(c.card -> 'lines') as line
where c.kind = 'promise' and c.card -> 'open' is not null and c.card ->> 'state' in ('held', 'confirmed')
  and coalesce((line.value ->> 'open')::integer, 0) > 0

-- name: finished_of
-- The batches of some crops of which finished plants stand.
select c.card::text from cards c
where c.kind = 'batch' and c.key in (select holder from balances where crop = any(%(crops)s) and stage = 'finished' and units > 0)
order by c.key

-- name: standing_since
-- What stands in some stages at one place or at all: when it was last counted, or when its batch entered.
select b.place, b.holder, b.crop, b.size, b.stage, b.unit, b.units, b.counted_at,
       coalesce(b.counted_at, (c.card ->> 'entered_at')::timestamptz)
from balances b join cards c on c.kind = 'batch' and c.key = b.holder
where b.holder is not null and b.units > 0 and b.stage = any(%(stages)s) and (%(place)s::text is null or b.place = %(place)s)
order by b.place, b.crop, b.size, b.stage, b.holder

-- name: rooting_now
-- Batches of which cells stand rooting: crop, when they were struck, the recipe's days and those added, their cells and a place.
select c.key, c.card ->> 'crop', (c.card ->> 'born_on')::date,
       (r.card -> 'value' -> 'rooting' -> 'days' ->> (extract(month from (c.card ->> 'born_on')::date)::integer - 1))::integer
         + coalesce((c.card ->> 'days_added')::integer, 0),
       b.cells, b.place
from (select holder, sum(units)::bigint cells, min(place) place from balances
      where stage = 'struck' and units > 0 and holder is not null group by holder) b
join cards c on c.kind = 'batch' and c.key = b.holder
join cards r on r.kind = 'recipe' and r.key = c.card ->> 'crop'
order by 1

-- name: plugs_held
-- Plugs in holding that have used up a share of their holding limit: crop, plugs, since when, the limit in days, if stopped.
select batch, crop, plugs, since, greatest(1, most), stopped
from (select line.key batch, p.key crop, (line.value ->> 'plugs')::integer plugs, (line.value ->> 'since')::timestamptz since,
             (r.card -> 'value' -> 'holding_limit_days' ->> (extract(month from (line.value ->> 'since')::timestamptz)::integer - 1))::integer most,
             coalesce((line.value ->> 'stopped')::boolean, false) stopped
      from cards p
      cross join lateral jsonb_each(p.card -> 'lines') as line
      join cards r on r.kind = 'recipe' and r.key = p.key
      where p.kind = 'pool' and line.value ->> 'since' is not null and (line.value ->> 'plugs')::integer > 0) held
where extract(epoch from %(now)s - since) / 86400 / greatest(1, most) >= %(share)s
order by batch

-- name: picked_now
-- Plants that are picked and have not left, by order.
select o.key, sum(p.value::integer)::bigint, coalesce(jsonb_array_length(o.card -> 'holds'), 0)
from cards o cross join lateral jsonb_each_text(o.card -> 'picked') as p
where o.kind = 'order' and o.card -> 'picked' is not null
group by o.key, o.card -> 'holds' order by o.key limit %(limit)s

-- name: waiting_cards
-- Orders, and batches, of which something is held.
select card::text from cards where card -> 'holds' is not null and kind in ('batch', 'order') order by kind desc, key

-- name: stopped_cards
-- Crops that are stopped, and stopped batches of which anything stands.
select c.card::text, coalesce((select sum(b.units) from balances b where b.holder = c.key), 0)::bigint
from cards c
where c.card -> 'stops' is not null and (c.kind = 'crop' or c.kind in ('batch', 'stock-plant') and exists (
  select from balances b where b.holder = c.key and b.units > 0))
order by c.kind, c.key

-- name: told_on
-- Entries of one type that are booked on a day and were not taken back, the latest first.
select e.content from entries e
where e.type = %(type)s and e.booked_on = %(day)s and not exists (select from entries r where r.reverses = e.id)
order by e.position desc limit %(limit)s

-- name: entries_named
-- Some entries by their ids.
select id, content from entries where id = any(%(ids)s)

-- name: crops_named
-- What some crops are called.
select key, card -> 'value' ->> 'name' from cards where kind = 'crop' and key = any(%(crops)s)

-- name: batches_of_crops
-- The numbers of all batches of some crops.
select key from cards where kind = 'batch' and card ->> 'crop' = any(%(crops)s)

-- name: crops_of_group
-- Crops that share a group.
select card::text from cards where kind = 'crop' and card -> 'value' ->> 'group' = %(group)s order by key
