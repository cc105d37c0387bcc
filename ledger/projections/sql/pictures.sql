-- name: followed
-- The last position up to which passages, movements and books have all followed the log.
select min(position) from projections where name in ('passages', 'lines', 'books')

-- name: through
-- How units came into each stage, left it and were lost in a period, and what stood there when it began.
select p.stage, case when p.day < %(from)s::date then 'opening' else p.flow end, case when p.day < %(from)s::date then '' else p.via end,
       sum(case when p.day < %(from)s::date and p.flow in ('left', 'lost') then -p.units else p.units end)::bigint
from passages p join cards c on c.kind = 'batch' and c.key = p.batch
where p.day <= %(to)s::date and (%(crop)s::text is null or c.card ->> 'crop' = %(crop)s)
group by 1, 2, 3

-- name: rooting
-- Cells that rooted and that did not in a period, and of how many batches, by crop.
select c.card ->> 'crop', coalesce(sum(p.units) filter (where p.flow = 'left'), 0)::bigint,
       coalesce(sum(p.units) filter (where p.flow = 'lost'), 0)::bigint, count(distinct p.batch)
from passages p join cards c on c.kind = 'batch' and c.key = p.batch
where p.stage = 'struck' and (p.flow = 'lost' or p.flow = 'left' and p.via = 'rooted')
  and p.day between %(from)s::date and %(to)s::date
  and (%(crop)s::text is null or c.card ->> 'crop' = %(crop)s)
group by 1 order by 1

-- name: lost_by_month
-- What was lost in a period by cause and month: units, and their cost at the average in force in micro.
select cause, date_trunc('month', day)::date, -sum(units)::bigint, -sum(cost)::bigint
from book_lines
where flow = 'lost' and day between %(from)s::date and %(to)s::date and (%(crop)s::text is null or crop = %(crop)s)
group by 1, 2 order by 1, 2

-- name: plugs
-- Rooted plugs that stand, by batch: since when, and the days that their crop may stand by the month in which it began.
select b.holder, b.crop, sum(b.units)::bigint, since.day,
       (r.card -> 'value' -> 'holding_limit_days' ->> (extract(month from since.day)::integer - 1))::integer
from balances b
left join lateral (
  select min(p.day) as day from passages p
  where p.batch = b.holder and p.stage = 'rooted' and p.flow in ('entered', 'joined') and p.units > 0
) since on true
left join cards r on r.kind = 'recipe' and r.key = b.crop
where b.holder is not null and b.stage = 'rooted' and b.units > 0 and (%(crop)s::text is null or b.crop = %(crop)s)
group by 1, 2, 4, 5 order by 1

-- name: moved_by_week
-- By how many units each week ended with more or less at a place, by stage, size and the cells of a tray; before a week all at once.
select l.place, l.stage, t.size, coalesce(nullif(t.tray_cells, 0), (r.card -> 'value' ->> 'tray_cells')::integer),
       greatest(date_trunc('week', l.booked_on)::date, %(from)s::date), sum(l.units)::bigint
from lines l join book_batches t on t.batch = l.holder
left join cards r on r.kind = 'recipe' and r.key = t.crop
where l.holder is not null and l.stage <> 'stock' and l.booked_on <= %(to)s::date
group by 1, 2, 3, 4, 5 having sum(l.units) <> 0

-- name: most_promised
-- The crop and size with the most units promised and not picked, and how many those are.
select c.card ->> 'crop', c.card ->> 'size', sum(d.value::bigint)::bigint
from cards c cross join lateral jsonb_each_text(coalesce(c.card -> 'due', '{}')) d
where c.kind = 'shelf' group by 1, 2 order by 3 desc, 1, 2 limit 1

-- name: promised_at_all
-- Every crop and size of which anything is promised and not picked, by name.
select c.card ->> 'crop', c.card ->> 'size', sum(d.value::bigint)::bigint
from cards c cross join lateral jsonb_each_text(coalesce(c.card -> 'due', '{}')) d
where c.kind = 'shelf' group by 1, 2 having sum(d.value::bigint) > 0 order by 1, 2 limit %(limit)s
