-- name: sums
-- Every flow of every pool, summed up to the day before a period and up to its last day; of a charge only days that have passed.
select crop, size, stage, flow, cause, sum(units_0)::bigint, sum(units_1)::bigint, sum(value_0)::bigint,
       sum(value_1)::bigint, sum(cost_0)::bigint, sum(cost_1)::bigint, sum(normal_0)::bigint, sum(normal_1)::bigint
from (
    select crop, size, stage, flow, cause,
           case when before then units else 0 end as units_0, units as units_1,
           case when before then value else 0 end as value_0, value as value_1,
           case when before then cost else 0 end as cost_0, cost as cost_1,
           case when before then normal else 0 end as normal_0, normal as normal_1
    from (select m.crop, m.size, m.stage, m.flow, m.cause, m.units, m.value, m.cost, m.normal,
                 m.month < date_trunc('month', %(since)s::date) as before
          from book_months m where m.month < date_trunc('month', %(until)s::date)) months
    union all
    select crop, size, stage, flow, cause,
           case when of_since and day < %(since)s::date then units else 0 end,
           case when of_until and day <= %(until)s::date then units else 0 end,
           case when not of_since then 0 when day < %(since)s::date then value when span_from < %(since)s::date
                then value * (%(since)s::date - span_from) / (day - span_from + 1) else 0 end,
           case when not of_until then 0 when day <= %(until)s::date then value when span_from <= %(until)s::date
                then value * (%(until)s::date - span_from + 1) / (day - span_from + 1) else 0 end,
           case when not of_since then 0 when day < %(since)s::date then cost when span_from < %(since)s::date
                then cost * (%(since)s::date - span_from) / (day - span_from + 1) else 0 end,
           case when not of_until then 0 when day <= %(until)s::date then cost when span_from <= %(until)s::date
                then cost * (%(until)s::date - span_from + 1) / (day - span_from + 1) else 0 end,
           case when of_since and day < %(since)s::date then normal else 0 end,
           case when of_until and day <= %(until)s::date then normal else 0 end
    from (select l.crop, l.size, l.stage, l.flow, l.cause, l.day, l.span_from, l.units, l.value, l.cost, l.normal,
                 date_trunc('month', l.day) = date_trunc('month', %(since)s::date) as of_since,
                 date_trunc('month', l.day) = date_trunc('month', %(until)s::date) as of_until
          from book_lines l
          where l.day between date_trunc('month', %(since)s::date)::date
                          and (date_trunc('month', %(since)s::date) + interval '1 month')::date - 1
             or l.day between date_trunc('month', %(until)s::date)::date
                          and (date_trunc('month', %(until)s::date) + interval '1 month')::date - 1) days
) parts
group by crop, size, stage, flow, cause

-- name: stands
-- Units that stand as the log was last written, by crop, size and stage.
select b.crop, b.size, s.stage, sum(s.units)::bigint
from balances s join book_batches b on b.batch = s.holder
where s.stage <> 'stock' and s.units <> 0
group by b.crop, b.size, s.stage

-- name: moved_since
-- What the movements that the books have after a day have changed in it.
select b.crop, b.size, l.stage, sum(l.units)::bigint
from (select holder, stage, sum(units) as units from lines
      where booked_on > %(until)s::date and position <= %(as_of)s and holder is not null and stage <> 'stock'
      group by holder, stage) l
join book_batches b on b.batch = l.holder
group by b.crop, b.size, l.stage

-- name: stood_by_batch
-- The same by batch.
select b.crop, b.size, l.stage, l.holder, sum(l.units)::bigint
from lines l join book_batches b on b.batch = l.holder
where l.holder is not null and l.stage <> 'stock' and l.booked_on <= %(until)s::date
  and (%(known_at)s::timestamptz is null or l.recorded_at <= %(known_at)s)
group by b.crop, b.size, l.stage, l.holder having sum(l.units) <> 0
order by b.crop, b.size nulls first, l.stage, l.holder

-- name: level
-- How far the books and the lines of movements have followed the log, and the last day of which the books have a line.
select (select position from projections where name = 'books'), (select position from projections where name = 'lines'),
       (select max(day) from book_lines)

-- name: states
-- What the flow remembers of every crop.
select crop, state from book_state

-- name: prices
-- The list prices of every crop as they were on a day: the last told by then.
select distinct on (e.content::jsonb -> 'told' ->> 'code') e.content::jsonb -> 'told' ->> 'code',
       e.content::jsonb -> 'told' -> 'sizes'
from entries e where e.type = 'crop-set' and e.booked_on <= %(until)s::date
order by e.content::jsonb -> 'told' ->> 'code', e.position desc

-- name: unshipped
-- Promises that are open, by crop, size and the week they are due in: units held, confirmed, and of those picked.
select l.value ->> 'crop', l.value ->> 'size', date_trunc('week', (l.value ->> 'due')::date)::date,
       coalesce(sum((l.value ->> 'open')::bigint) filter (where c.card ->> 'state' = 'held'), 0)::bigint,
       coalesce(sum((l.value ->> 'open')::bigint) filter (where c.card ->> 'state' = 'confirmed'), 0)::bigint
from cards c cross join lateral jsonb_each(c.card -> 'lines') l
where c.kind = 'promise' and c.card ->> 'state' in ('held', 'confirmed') and (l.value ->> 'open')::bigint > 0
group by 1, 2, 3 order by 1, 2, 3

-- name: picked
-- Units picked and not shipped, by crop and size.
select b.crop, b.size, sum(l.units)::bigint from lines l join book_batches b on b.batch = l.holder
where l.stage = 'picked' group by b.crop, b.size having sum(l.units) <> 0 order by b.crop, b.size

-- name: stopped
-- Batches that are stopped, themselves or with their crop.
select b.batch from book_batches b join cards c on c.kind = 'batch' and c.key = b.batch
where jsonb_array_length(coalesce(c.card -> 'stops', '[]')) > 0
union
select b.batch from book_batches b join cards c on c.kind = 'crop' and c.key = b.crop
where jsonb_array_length(coalesce(c.card -> 'stops', '[]')) > 0

-- name: held_since
-- The first day on which each batch had rooted plugs.
select batch, min(day) from passages where stage = 'rooted' and flow in ('entered', 'joined') and units > 0 group by batch
