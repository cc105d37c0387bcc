-- name: stock_now
-- Units standing, from the balances: the lines after one, and what all of them come to (that also where no line is left).
with found as (
  select holder, crop, size, stage, place, unit, units, counted_at, counted_how, counted_by
  from balances
  where holder is not null and units > 0 and stage <> 'stock'
    and (%(crop)s::text is null or crop = %(crop)s) and (%(size)s::text is null or size = %(size)s)
    and (%(stage)s::text is null or stage = %(stage)s) and (%(place)s::text is null or place = %(place)s)
)
select total.units, holder, crop, size, stage, place, unit, page.units, counted_at, counted_how, counted_by
from (select jsonb_object_agg(unit, units) units from (select unit, sum(units) units from found group by unit) u) total
left join (
  select holder, crop, size, stage, place, unit, units, counted_at, counted_how, counted_by from found
  where %(after)s::text[] is null or array[crop, coalesce(size, ''), stage, place, holder, unit] > %(after)s
  order by crop, coalesce(size, ''), stage, place, holder, unit limit %(limit)s
) page on true
order by crop, coalesce(size, ''), stage, place, holder, unit

-- name: stock_at
-- Units that stood at a moment, as it happened, from what was known at another: lines and total as of what stands now.
with found as (
  select l.holder, c.card ->> 'crop' crop, c.card ->> 'size' size, l.stage, l.place, l.unit, sum(l.units)::bigint units,
         null::timestamptz counted_at, null::text counted_how, null::text counted_by
  from lines l join cards c on c.kind = 'batch' and c.key = l.holder
  where l.holder is not null and l.stage <> 'stock' and l.at <= %(at)s and l.recorded_at <= %(known_at)s
    and (%(crop)s::text is null or c.card ->> 'crop' = %(crop)s) and (%(size)s::text is null or c.card ->> 'size' = %(size)s)
    and (%(stage)s::text is null or l.stage = %(stage)s) and (%(place)s::text is null or l.place = %(place)s)
  group by 1, 2, 3, 4, 5, 6
  having sum(l.units) <> 0
)
select total.units, holder, crop, size, stage, place, unit, page.units, counted_at, counted_how, counted_by
from (select jsonb_object_agg(unit, units) units from (select unit, sum(units) units from found group by unit) u) total
left join (
  select holder, crop, size, stage, place, unit, units, counted_at, counted_how, counted_by from found
  where %(after)s::text[] is null or array[crop, coalesce(size, ''), stage, place, holder, unit] > %(after)s
  order by crop, coalesce(size, ''), stage, place, holder, unit limit %(limit)s
) page on true
order by crop, coalesce(size, ''), stage, place, holder, unit

-- name: units_in_all
-- The sum of every unit over all accounts: always zero.
select unit, sum(units)::bigint from balances group by unit order by unit

-- name: outside
-- What stands on the outside accounts.
select account, unit, units from balances where holder is null order by account, unit

-- name: cards_of_kind
-- All cards of a kind after a key, in order.
select key, version, card::text from cards
where kind = %(kind)s and (key > %(after)s or %(after)s = '') order by key limit %(limit)s

-- name: card
-- One card.
select version, card::text from cards where kind = %(kind)s and key = %(key)s

-- name: cards
-- Several cards of one kind.
select card::text from cards where kind = %(kind)s and key = any(%(keys)s) order by key

-- name: batches
-- Batches in the order of their numbers; with `standing`, only those of which anything stands.
select c.card::text from cards c
where c.kind = 'batch' and c.key > %(after)s
  and (%(crop)s::text is null or c.card ->> 'crop' = %(crop)s) and (%(size)s::text is null or c.card ->> 'size' = %(size)s)
  and (%(standing)s::boolean is not true or exists (select from balances b where b.holder = c.key and b.units > 0))
  and (%(stage)s::text is null and %(place)s::text is null or exists (
    select from balances b where b.holder = c.key and b.units > 0
      and (%(stage)s::text is null or b.stage = %(stage)s) and (%(place)s::text is null or b.place = %(place)s)))
order by c.key limit %(limit)s

-- name: life
-- The entries that touched a batch or stock plant, in the order in which they happened.
select e.content from history h join entries e using (position)
where h.kind = %(kind)s and h.key = %(key)s order by e.occurred_at, e.position limit %(limit)s

-- name: life_latest
-- The last of them, the latest first.
select e.type, e.schema, e.content from history h join entries e using (position)
where h.kind = %(kind)s and h.key = %(key)s order by e.occurred_at desc, e.position desc limit %(limit)s

-- name: entry
-- One entry, and whether it was taken back.
select e.type, e.schema, e.content, exists (select from entries r where r.reverses = e.id) from entries e where e.id = %(id)s

-- name: acts_on_crop
-- The last entries of a type on batches of a crop that were not taken back, the latest first.
select e.type, e.schema, e.content from entries e
where e.type = %(type)s and not exists (select from entries r where r.reverses = e.id) and e.position in (
  select h.position from history h join cards c using (kind, key)
  where c.kind = 'batch' and c.card ->> 'crop' = %(crop)s)
order by e.position desc limit %(limit)s

-- name: picked_of
-- The orders for which plants of a batch were picked.
select o.card::text from cards o where o.kind = 'order' and o.key in (
  select e.content::jsonb -> 'told' ->> 'order' from history h join entries e using (position)
  where h.kind = 'batch' and h.key = %(batch)s and e.type = 'picked')
order by o.key

-- name: run_out
-- Holds that have run out and are not told as expired yet.
select key from cards
where kind = 'promise' and card ->> 'state' = 'held' and (card ->> 'expires_at')::timestamptz <= clock_timestamp()
order by key limit %(limit)s

-- name: promises
-- Promises in the order of their ids; only those in a state, of an order, or with a line at risk.
select card::text from cards
where kind = 'promise' and key > %(after)s
  and (%(state)s::text is null or card ->> 'state' = %(state)s) and (%(order)s::text is null or card ->> 'order' = %(order)s)
  and (not %(at_risk)s or (card -> 'open' is not null and card @? '$.lines.*.risk'))
order by key limit %(limit)s

-- name: due_lines
-- Lines of promises that were bought and fell due in a period: what was kept and missed of them, and what is open unchecked.
select line ->> 'crop', line ->> 'size', (line ->> 'due')::date, (line ->> 'confidence')::integer,
       coalesce(line ->> 'basis', 'finished'), coalesce((line ->> 'kept')::integer, 0),
       coalesce((line ->> 'missed')::integer, 0),
       case when line -> 'checked' is null then (line ->> 'open')::integer else 0 end
from cards c cross join lateral jsonb_path_query(c.card, '$.lines.*') as line
where c.kind = 'promise' and c.card ->> 'state' in ('confirmed', 'released')
  and (line ->> 'due')::date between %(from)s and %(to)s

-- name: clock
-- The database's clock, the last position and when it was written.
select clock_timestamp(), position, recorded_at from pen

-- name: board
-- Cards of some kinds that entries after a position have changed.
select kind, key, position, card::text from cards where kind = any(%(kinds)s) and position > %(after)s

-- name: questions
-- Questions that nobody has answered, on entries that have not been taken back, in the order of the entries that raised them.
select q.card ->> 'entry', q.card ->> 'of', e.content, o.content, e.position
from cards q
join entries e on e.id = (q.card ->> 'entry')::uuid
join entries o on o.id = (q.card ->> 'of')::uuid
where q.kind = 'question' and q.card ->> 'answer' is null and e.position > %(after)s
  and not exists (select from entries r where r.reverses in (e.id, o.id))
order by e.position limit %(limit)s

-- name: orders_of
-- The orders that plants of these batches were picked for or shipped to.
select l.holder, l.order_ref, sum(case when l.other = 'shipped' then -l.units else 0 end)::bigint, max(c.card ->> 'region')
from lines l left join cards c on c.kind = 'order' and c.key = l.order_ref
where l.holder = any(%(batches)s) and l.stage = 'picked' and l.order_ref is not null
group by l.holder, l.order_ref order by l.holder, l.order_ref limit %(limit)s

-- name: followed
-- The position up to which the passages have followed the log.
select position from projections where name = 'passages'

-- name: late
-- Entries that came when what they tell of, or move, had happened in a closed period; the key stands in no text as it is here.
select e.content from entries e
where e.position > (select min(c.position) from entries c where c.type = 'period-closed')
  and strpos(e.content, '"happened_on":"') > 0
order by e.position

-- name: past_batches
-- What past stays need of the cards of all batches.
select key, card ->> 'crop', card ->> 'size', card ->> 'born_on', coalesce((card ->> 'days_added')::integer, 0)
from cards where kind = 'batch'

-- name: past_batches_of
-- The same of some batches.
select key, card ->> 'crop', card ->> 'size', card ->> 'born_on', coalesce((card ->> 'days_added')::integer, 0)
from cards where kind = 'batch' and key = any(%(batches)s)

-- name: past_passages
-- How the plants of all batches passed through the stages.
select batch, stage, day, flow, via, units from passages where units <> 0

-- name: past_passages_of
-- The same of some batches.
select batch, stage, day, flow, via, units from passages where batch = any(%(batches)s) and units <> 0

-- name: shelf_keys
-- Every crop with a size in which it ever stood or was promised.
select key from cards where kind = 'shelf' order by key

-- name: touched
-- Cards of some kinds that entries after a position have changed, without what is on them.
select kind, key from cards where kind = any(%(kinds)s) and position > %(after)s

-- name: open_lines
-- Lines of promises of some crops with anything left to pick, in the order in which they are served.
select c.key, line.key::integer, line.value::text
from cards c cross join lateral jsonb_each(c.card -> 'lines') as line
where c.kind = 'promise' and c.card -> 'open' is not null and c.card ->> 'state' in ('held', 'confirmed')
  and line.value ->> 'crop' = any(%(crops)s) and coalesce((line.value ->> 'open')::integer, 0) > 0
order by line.value ->> 'due', (c.card ->> 'position')::bigint, line.key::integer

-- name: unchecked
-- Lines of confirmed promises whose day has passed, with anything left to pick, that were not checked on it.
select line.value ->> 'crop', line.value ->> 'size', (line.value ->> 'due')::date, c.key, line.key::integer
from cards c cross join lateral jsonb_each(c.card -> 'lines') as line
where c.kind = 'promise' and c.card -> 'open' is not null and c.card ->> 'state' = 'confirmed'
  and line.value -> 'checked' is null and (line.value ->> 'due')::date < %(today)s
  and coalesce((line.value ->> 'open')::integer, 0) > 0
order by 3, 1, 2, 4, 5

-- name: took_away
-- Entries after a position that may have taken plants of a crop away, in order.
select e.type, e.schema, e.content from entries e
where e.position > %(after)s and e.type = any(%(types)s)
  and (e.content::jsonb -> 'told' ->> 'crop' = %(crop)s or e.position in (
    select h.position from history h join cards c using (kind, key)
    where c.kind = 'batch' and c.card ->> 'crop' = %(crop)s and h.position > %(after)s))
order by e.position

-- name: forecast_age
-- When the oldest of the forecasts of crops that are sold was made, how many such crops have none, and the longest wait.
select min((f.card ->> 'at')::timestamptz), count(*) filter (where f.key is null),
       min((p.card ->> 'waiting_since')::timestamptz)
from cards c
left join cards f on f.kind = 'forecast' and f.key = c.key
left join cards p on p.kind = 'pool' and p.key = c.key
where c.kind = 'crop' and c.card -> 'value' -> 'sizes' is not null

-- name: work_alone
-- Be the only worker of this ledger for as long as the connection lasts; false if another one is.
select pg_try_advisory_lock(hashtext('tallybench work'))

-- name: not_followed
-- Entries after a position but for forecasts, which are long and move no plants; in order.
select type, schema, content from entries where position > %(after)s and type <> 'forecast-published' order by position limit %(limit)s

-- name: written_at
-- When an entry was written.
select recorded_at from entries where position = %(position)s
