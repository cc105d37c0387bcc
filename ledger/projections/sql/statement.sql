-- name: sums
-- Every flow of every pool, summed up to the day before a period and up to its last day; of a charge only days that have passed.
select crop, size, stage, flow, cause,
       coalesce(sum(units) filter (where day < %(since)s::date), 0)::bigint,
       coalesce(sum(units) filter (where day <= %(until)s::date), 0)::bigint,
       coalesce(sum(case when day < %(since)s::date then value when span_from < %(since)s::date
                    then value * (%(since)s::date - span_from) / (day - span_from + 1) end), 0)::bigint,
       coalesce(sum(case when day <= %(until)s::date then value when span_from <= %(until)s::date
                    then value * (%(until)s::date - span_from + 1) / (day - span_from + 1) end), 0)::bigint,
       coalesce(sum(case when day < %(since)s::date then cost when span_from < %(since)s::date
                    then cost * (%(since)s::date - span_from) / (day - span_from + 1) end), 0)::bigint,
       coalesce(sum(case when day <= %(until)s::date then cost when span_from <= %(until)s::date
                    then cost * (%(until)s::date - span_from + 1) / (day - span_from + 1) end), 0)::bigint,
       coalesce(sum(normal) filter (where day < %(since)s::date), 0)::bigint,
       coalesce(sum(normal) filter (where day <= %(until)s::date), 0)::bigint
from book_lines
where coalesce(span_from, day) <= %(until)s::date
group by crop, size, stage, flow, cause

-- name: stood
-- Units by the movements of plants at the end of a day, by crop, size and stage.
select b.crop, b.size, l.stage, sum(l.units)::bigint
from (select holder, stage, sum(units) as units from lines
      where holder is not null and stage <> 'stock' and booked_on <= %(until)s::date and position <= %(as_of)s
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
