-- name: add
-- Add the passages of a chunk of entries.
insert into passages (batch, stage, day, flow, via, units)
select * from unnest(
    %(batch)b::text[], %(stage)b::text[], %(day)b::date[], %(flow)b::text[], %(via)b::text[], %(units)b::bigint[])
on conflict (batch, stage, day, flow, via) do update set units = passages.units + excluded.units

-- name: sum_up
-- Sum the passages of some batches and stages up again.
insert into stays (batch, stage, begun, last_day, entered, outside, joined, joined_in, counted, passed, used, lost)
select p.batch, p.stage,
       min(p.day) filter (where (p.flow in ('entered', 'joined', 'counted') and p.units > 0) or (p.flow = 'left' and p.units < 0)),
       max(p.day) filter (where p.units <> 0),
       coalesce(sum(p.units) filter (where p.flow = 'entered'), 0),
       coalesce(sum(p.units) filter (where p.flow = 'entered' and p.via in ('opening', 'bought-in')), 0),
       coalesce(sum(p.units) filter (where p.flow = 'joined'), 0),
       coalesce(sum(p.units) filter (where p.flow = 'joined' and p.units > 0), 0),
       coalesce(sum(p.units) filter (where p.flow = 'counted'), 0),
       coalesce(sum(p.units) filter (where p.flow = 'left'), 0),
       coalesce(sum(p.units) filter (where p.flow = 'left' and p.via = 'converted'), 0),
       coalesce(sum(p.units) filter (where p.flow = 'lost'), 0)
from (
    select distinct t.batch, t.stage from unnest(%(batch)b::text[], %(stage)b::text[]) as t (batch, stage)
) touched join passages p on p.batch = touched.batch and p.stage = touched.stage
group by p.batch, p.stage
on conflict (batch, stage) do update
set begun = excluded.begun, last_day = excluded.last_day, entered = excluded.entered, outside = excluded.outside,
    joined = excluded.joined, joined_in = excluded.joined_in, counted = excluded.counted, passed = excluded.passed,
    used = excluded.used, lost = excluded.lost

-- name: add_counts
-- Add to the net differences of counts.
insert into count_differences (entry, batch, stage, place, day, units)
select * from unnest(
    %(entry)b::uuid[], %(batch)b::text[], %(stage)b::text[], %(place)b::text[], %(day)b::date[], %(units)b::bigint[])
on conflict (entry, day) do update set units = count_differences.units + excluded.units
