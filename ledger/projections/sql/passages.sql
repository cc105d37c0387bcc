-- name: add
-- Add the passages of a chunk of entries.
insert into passages (batch, stage, day, flow, via, units)
select * from unnest(
    %(batch)s::text[], %(stage)s::text[], %(day)s::date[], %(flow)s::text[], %(via)s::text[], %(units)s::bigint[])
on conflict (batch, stage, day, flow, via) do update set units = passages.units + excluded.units

-- name: add_counts
-- Add to the net differences of counts.
insert into count_differences (entry, batch, stage, place, day, units)
select * from unnest(
    %(entry)s::uuid[], %(batch)s::text[], %(stage)s::text[], %(place)s::text[], %(day)s::date[], %(units)s::bigint[])
on conflict (entry) do update set units = count_differences.units + excluded.units
