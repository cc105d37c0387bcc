-- name: joined
-- Batches of one crop and size that were put together in a stage, both ways round.
select p.batch, p.via, p.stage
from stays s join passages p on p.batch = s.batch and p.stage = s.stage and p.flow = 'joined'
join book_batches b on b.batch = p.batch join book_batches v on v.batch = p.via
where s.joined_in <> s.joined and p.units < 0 and b.crop = v.crop and b.size is not distinct from v.size

-- name: list_prices
-- The list prices of every crop as they were told, by the day from which they hold.
select content::jsonb -> 'told' ->> 'code', content::jsonb -> 'told' -> 'sizes', booked_on, position
from entries where type = 'crop-set' order by booked_on, position

-- name: shrink_cohort
-- What entered each stage and what was lost of it whenever that was, by the month in which its batches first came in.
with family as materialized (
    select * from unnest(%(member)b::text[], %(stage)b::text[], %(root)b::text[]) as f (batch, stage, root)
), batch as materialized (
    select batch as key, crop, size from book_batches
    where (%(crop)s::text is null or crop = %(crop)s) and (%(size)s::text is null or size = %(size)s)
), came as (
    select coalesce(f.root, s.batch) as root, b.crop, b.size, s.stage, min(s.begun) as begun,
           sum(s.entered) + sum(s.joined) + greatest(sum(s.counted), 0) + greatest(-sum(s.passed), 0) as units
    from stays s join batch b on b.key = s.batch left join family f on f.batch = s.batch and f.stage = s.stage
    group by 1, 2, 3, 4
), at_risk as materialized (
    select root, crop, size, stage, width_bucket(begun, %(starts)s::date[]) as span, units from came
    where begun between %(from)s and %(to)s
), taken_back as materialized (
    select r.position, o.person from entries r join entries o on o.id = r.reverses where r.type = 'reversed'
), price as materialized (
    select * from unnest(%(priced_crop)b::text[], %(priced_size)b::text[], %(price)b::bigint[], %(priced_from)b::date[],
        %(priced_to)b::date[]) as p (crop, size, price, since, until)
), by_batch as (
    select a.crop, a.size, a.stage, a.span, case when %(by_cause)s then l.cause end as cause,
           case when %(by_place)s then l.place end as place, case when %(by_person)s then coalesce(t.person, l.person) end as person,
           a.root, a.units as of, -sum(l.units) as lost,
           -coalesce(sum(l.units) filter (where l.cause = any(%(avoidable)s)), 0) as avoidable, sum(l.normal) as normal,
           -sum(l.cost) as cost, -sum(l.value) as expensed,
           -coalesce(sum(l.units * (p.price)), 0) as retail,
           -coalesce(sum(l.units) filter (where p.price is null), 0) as unpriced
    from book_lines l left join family f on f.batch = l.batch and f.stage = l.stage
    join at_risk a on a.root = coalesce(f.root, l.batch) and a.stage = l.stage
    left join taken_back t on t.position = l.position
    left join price p on p.crop = a.crop and p.size = a.size and l.day >= p.since and l.day < p.until
    where l.flow = 'lost' and l.day >= %(from)s
    group by 1, 2, 3, 4, 5, 6, 7, 8, 9
)
select case when %(by_crop)s then crop end, case when %(by_size)s then size end, stage, span, null, null, null,
       units::bigint, null::bigint, count(*), null::bigint, null::bigint, null::numeric, null::numeric, null::numeric, null::bigint
from at_risk where units <> 0 group by 1, 2, 3, 4, units
union all
select case when %(by_crop)s then crop end, case when %(by_size)s then size end, stage, span, cause, place, person,
       of::bigint, lost::bigint, count(*), sum(avoidable)::bigint, sum(normal)::bigint, sum(cost), sum(expensed), sum(retail),
       sum(unpriced)::bigint
from by_batch where lost <> 0 group by 1, 2, 3, 4, 5, 6, 7, of, lost

-- name: shrink_calendar
-- What stood when each span of a period began and came in during it, and what was lost in it.
with family as materialized (
    select * from unnest(%(member)b::text[], %(stage)b::text[], %(root)b::text[]) as f (batch, stage, root)
), batch as materialized (
    select batch as key, crop, size from book_batches
    where (%(crop)s::text is null or crop = %(crop)s) and (%(size)s::text is null or size = %(size)s)
), active as (
    select coalesce(f.root, p.batch) as root, b.crop, b.size, p.stage, width_bucket(p.day, %(starts)s::date[]) as span,
           greatest(coalesce(sum(p.units) filter (where p.flow = 'entered'), 0), 0)
             + greatest(coalesce(sum(p.units) filter (where p.flow = 'joined'), 0), 0)
             + greatest(coalesce(sum(p.units) filter (where p.flow = 'counted'), 0), 0)
             + greatest(coalesce(-sum(p.units) filter (where p.flow = 'left'), 0), 0) as came,
           sum(case when p.flow in ('left', 'lost') then -p.units else p.units end) as change
    from stays s join batch b on b.key = s.batch join passages p on p.batch = s.batch and p.stage = s.stage
    left join family f on f.batch = s.batch and f.stage = s.stage
    where p.day <= %(to)s and (s.last_day >= %(from)s or s.entered + s.joined + s.counted <> s.passed + s.lost)
    group by 1, 2, 3, 4, 5
), running as (
    select root, crop, size, stage, span, came, change, sum(change) over spans as closing, lead(span) over spans as following
    from active window spans as (partition by root, stage order by span)
), at_risk as materialized (
    select root, crop, size, stage, span, closing - change + came as units from running where span > 0
    union all
    select r.root, r.crop, r.size, r.stage, still.span, r.closing
    from running r cross join lateral generate_series(r.span + 1, coalesce(r.following, %(spans)s + 1) - 1) as still (span)
    where r.closing > 0
), taken_back as materialized (
    select r.position, o.person from entries r join entries o on o.id = r.reverses where r.type = 'reversed'
), price as materialized (
    select * from unnest(%(priced_crop)b::text[], %(priced_size)b::text[], %(price)b::bigint[], %(priced_from)b::date[],
        %(priced_to)b::date[]) as p (crop, size, price, since, until)
), by_batch as (
    select b.crop, b.size, l.stage, width_bucket(l.day, %(starts)s::date[]) as span,
           case when %(by_cause)s then l.cause end as cause,
           case when %(by_place)s then l.place end as place, case when %(by_person)s then coalesce(t.person, l.person) end as person,
           coalesce(f.root, l.batch) as root, -sum(l.units) as lost,
           -coalesce(sum(l.units) filter (where l.cause = any(%(avoidable)s)), 0) as avoidable, sum(l.normal) as normal,
           -sum(l.cost) as cost, -sum(l.value) as expensed,
           -coalesce(sum(l.units * (p.price)), 0) as retail,
           -coalesce(sum(l.units) filter (where p.price is null), 0) as unpriced
    from book_lines l join batch b on b.key = l.batch left join family f on f.batch = l.batch and f.stage = l.stage
    left join taken_back t on t.position = l.position
    left join price p on p.crop = b.crop and p.size = b.size and l.day >= p.since and l.day < p.until
    where l.flow = 'lost' and l.day between %(from)s and %(to)s
    group by 1, 2, 3, 4, 5, 6, 7, 8
)
select case when %(by_crop)s then crop end, case when %(by_size)s then size end, stage, span, null, null, null,
       units::bigint, null::bigint, count(*), null::bigint, null::bigint, null::numeric, null::numeric, null::numeric, null::bigint
from at_risk where units <> 0 group by 1, 2, 3, 4, units
union all
select case when %(by_crop)s then l.crop end, case when %(by_size)s then l.size end, l.stage, l.span, l.cause, l.place, l.person,
       coalesce(a.units, 0)::bigint, l.lost::bigint, count(*), sum(l.avoidable)::bigint, sum(l.normal)::bigint, sum(l.cost),
       sum(l.expensed), sum(l.retail),
       sum(l.unpriced)::bigint
from by_batch l left join at_risk a on a.root = l.root and a.stage = l.stage and a.span = l.span
where l.lost <> 0 group by 1, 2, 3, 4, 5, 6, 7, coalesce(a.units, 0), l.lost

-- name: count_differences
-- What counts found missing and found over in a period.
select case when %(by_crop)s then b.crop end, case when %(by_size)s then b.size end, d.stage,
       case when %(by_month)s then to_char(d.day, 'YYYY-MM') end, case when %(by_place)s then d.place end,
       case when %(by_person)s then e.person end,
       coalesce(-sum(d.units) filter (where d.units < 0), 0)::bigint, coalesce(sum(d.units) filter (where d.units > 0), 0)::bigint,
       count(*)
from count_differences d join book_batches b on b.batch = d.batch join entries e on e.id = d.entry
where d.day between %(from)s and %(to)s and d.units <> 0
  and (%(crop)s::text is null or b.crop = %(crop)s) and (%(size)s::text is null or b.size = %(size)s)
group by 1, 2, 3, 4, 5, 6 order by 1, 2 nulls first, 3, 4, 5, 6

-- name: beside
-- What left in a period without being shrink or an ordinary sale, and what arrived damaged of what had left before.
with price as materialized (
    select * from unnest(%(priced_crop)b::text[], %(priced_size)b::text[], %(price)b::bigint[], %(priced_from)b::date[],
        %(priced_to)b::date[]) as p (crop, size, price, since, until)
), gone as (
    select crop, size, day, case when flow = 'shipped' then 'seconds-sold' else flow end as what, -units as units, -cost as cost
    from book_lines
    where day between %(from)s and %(to)s and (flow in ('given-out', 'planted-as-stock') or (flow = 'shipped' and stage = 'seconds'))
      and (%(crop)s::text is null or crop = %(crop)s) and (%(size)s::text is null or size = %(size)s)
    union all
    select b.crop, b.size, e.booked_on, 'transit-damage', (e.content::jsonb -> 'told' ->> 'units')::bigint, null
    from entries e join book_batches b on b.batch = e.content::jsonb -> 'told' ->> 'batch'
    where e.type = 'damage-claimed' and e.booked_on between %(from)s and %(to)s
      and not exists (select from entries r where r.reverses = e.id)
      and (%(crop)s::text is null or b.crop = %(crop)s) and (%(size)s::text is null or b.size = %(size)s)
)
select case when %(by_crop)s then g.crop end, case when %(by_size)s then g.size end,
       case when %(by_month)s then to_char(g.day, 'YYYY-MM') end, g.what, sum(g.units)::bigint, sum(g.cost),
       sum(g.units * (p.price))
from gone g
left join price p on p.crop = g.crop and p.size = g.size and g.day >= p.since and g.day < p.until
group by 1, 2, 3, 4 having sum(g.units) <> 0 order by 1, 2 nulls first, 3, 4

-- name: families
-- Of every batch since a day what was struck, made and brought in, what became saleable, what is on its way; with its parents.
with struck as (
    select e.told ->> 'batch' as batch, min(e.booked_on) as begun, sum((e.told ->> 'cells')::bigint) as cells,
           sum((e.told ->> 'cuttings')::bigint) as cuttings
    from (
        select s.id, s.booked_on, s.content::jsonb -> 'told' as told from entries s where s.type = 'struck'
    ) e
    where not exists (select from entries r where r.reverses = e.id)
    group by 1
), passed as (
    select batch, min(begun) as begun, sum(outside) filter (where stage <> 'gathered') as outside,
           sum(joined_in) filter (where stage <> 'gathered') as joined,
           sum(entered - outside) filter (where stage = 'potted') as pots,
           sum(entered - used) filter (where stage = 'finished') as saleable, sum(entered) filter (where stage = 'seconds') as seconds,
           sum(entered + joined + counted - passed - lost) filter (where stage in ('struck', 'rooted', 'potted')) as growing
    from stays where stage <> 'picked'
    group by batch
)
select b.batch, b.crop, c.card ->> 'parents', s.begun, coalesce(s.cells, 0)::bigint, coalesce(s.cuttings, 0)::bigint,
       coalesce(p.outside, 0)::bigint, coalesce(p.pots, 0)::bigint, coalesce(p.joined, 0)::bigint,
       coalesce(p.saleable, 0)::bigint, coalesce(p.seconds, 0)::bigint, coalesce(p.growing, 0)::bigint
from passed p join book_batches b on b.batch = p.batch join cards c on c.kind = 'batch' and c.key = b.batch
left join struck s on s.batch = b.batch
where p.begun >= %(from)s or s.begun >= %(from)s

-- name: damage
-- What was shipped in a period, by order, and what was claimed of it whenever that was; a claim is of the shipment that it fits best.
with shipped as materialized (
    select e.position, l.number, e.booked_on, e.told ->> 'order' as order_ref, e.told ->> 'carrier' as carrier,
           e.told ->> 'service' as service, e.told ->> 'region' as region, l.value ->> 'batch' as batch,
           (l.value ->> 'units')::bigint as units
    from (
        select s.id, s.position, s.booked_on, s.content::jsonb -> 'told' as told from entries s where s.type = 'shipped'
    ) e cross join lateral jsonb_array_elements(e.told -> 'lines') with ordinality as l (value, number)
    where not exists (select from entries r where r.reverses = e.id)
), claim as materialized (
    select e.id, e.position, e.told ->> 'order' as order_ref, e.told ->> 'batch' as batch, e.told ->> 'carrier' as carrier,
           e.told ->> 'cause' as cause, (e.told ->> 'units')::bigint as units
    from (
        select d.id, d.position, d.content::jsonb -> 'told' as told from entries d where d.type = 'damage-claimed'
    ) e
    where not exists (select from entries r where r.reverses = e.id)
), replaced as materialized (
    select e.told ->> 'replaces' as claim, sum((e.told ->> 'units')::bigint) as units, sum(w.cost) as cost
    from (
        select p.id, p.position, p.content::jsonb -> 'told' as told from entries p
        where p.type = 'picked' and p.content like '%%"replaces":%%'
    ) e left join lateral (
        select -sum(b.cost) as cost from book_lines b where b.position = e.position and b.flow = 'passed-on'
    ) w on true
    where not exists (select from entries r where r.reverses = e.id)
    group by 1
), placed as materialized (
    select c.id, c.cause, c.units, f.position, f.number, r.units as replaced, r.cost
    from claim c cross join lateral (
        select s.position, s.number from shipped s
        where s.order_ref = c.order_ref and s.batch = c.batch
        order by s.carrier = c.carrier desc, s.position < c.position desc, s.position desc, s.number limit 1
    ) f left join replaced r on r.claim = c.id::text
), grouped as materialized (
    select case when %(by_carrier)s then carrier end as carrier, case when %(by_service)s then service end as service,
           case when %(by_region)s then region end as region,
           case when %(by_month)s then to_char(booked_on, 'YYYY-MM') end as month, order_ref, position, number, units
    from shipped where booked_on between %(from)s and %(to)s
), by_order as (
    select carrier, service, region, month, order_ref, sum(units) as units from grouped group by 1, 2, 3, 4, 5
), claimed as (
    select g.carrier, g.service, g.region, g.month, g.order_ref, case when %(by_cause)s then p.cause end as cause,
           sum(p.units) as units, sum(p.replaced) as replaced, sum(p.cost) as cost
    from placed p join grouped g on g.position = p.position and g.number = p.number
    group by 1, 2, 3, 4, 5, 6
)
select carrier, service, region, month, null, units::bigint, null::bigint, count(*), null::bigint, null::numeric
from by_order group by 1, 2, 3, 4, units
union all
select c.carrier, c.service, c.region, c.month, c.cause, o.units::bigint, c.units::bigint, count(*),
       coalesce(sum(c.replaced), 0)::bigint, coalesce(sum(c.cost), 0)
from claimed c join by_order o on o.order_ref = c.order_ref and o.carrier is not distinct from c.carrier
  and o.service is not distinct from c.service and o.region is not distinct from c.region
  and o.month is not distinct from c.month
group by 1, 2, 3, 4, 5, o.units, c.units

-- name: reversals
-- Every entry taken back in a period, with what it was, the plants that its reversal moved and what the stock's value changed by.
select r.position, r.recorded_at, r.booked_on, r.person, o.type, o.person, o.position, o.occurred_at, o.id,
       coalesce(o.content::jsonb -> 'told' ->> 'batch', o.content::jsonb -> 'told' ->> 'into'),
       r.content::jsonb -> 'told' ->> 'reason', coalesce(b.crop, o.content::jsonb -> 'told' ->> 'crop'), b.size,
       coalesce(m.units, 0)::bigint, coalesce(w.value, 0)
from entries r join entries o on o.id = r.reverses
left join book_batches b
  on b.batch = coalesce(o.content::jsonb -> 'told' ->> 'batch', o.content::jsonb -> 'told' ->> 'into')
left join lateral (select sum(l.units) as units from lines l where l.position = r.position and l.incoming) m on true
left join lateral (select sum(l.value) as value from book_lines l where l.position = r.position) w on true
where r.type = 'reversed' and r.booked_on between %(from)s and %(to)s
  and (%(crop)s::text is null or coalesce(b.crop, o.content::jsonb -> 'told' ->> 'crop') = %(crop)s)
order by r.position

-- name: differing_counts
-- Every count that differs from the book in a period, net of slips that came late; its value at the average when it was told.
select e.position, e.recorded_at, d.day, e.person, e.occurred_at, d.entry, d.batch, d.stage, d.place,
       e.content::jsonb -> 'told' ->> 'note', b.crop, b.size, d.units, w.units, w.value
from count_differences d join entries e on e.id = d.entry join book_batches b on b.batch = d.batch
left join lateral (
    select sum(l.units) as units, sum(l.value) as value from book_lines l
    where l.position = e.position and l.flow = 'counted' and l.batch = d.batch
) w on true
where d.units <> 0 and d.day between %(from)s and %(to)s and (%(crop)s::text is null or b.crop = %(crop)s)
order by e.position

-- name: followed
-- The position up to which the projections that losses are read from have all followed the log.
select min(position) from projections where name in ('passages', 'lines', 'books')
