-- name: add
-- Add the passages of a chunk of entries.
insert into passages (batch, stage, day, flow, via, units)
select * from unnest(
    %(batch)b::text[], %(stage)b::text[], %(day)b::date[], %(flow)b::text[], %(via)b::text[], %(units)b::bigint[])
on conflict (batch, stage, day, flow, via) do update set units = passages.units + excluded.units

-- name: add_counts
-- Add to the net differences of counts.
insert into count_differences (entry, batch, stage, place, day, units)
select * from unnest(
    %(entry)b::uuid[], %(batch)b::text[], %(stage)b::text[], %(place)b::text[], %(day)b::date[], %(units)b::bigint[])
on conflict (entry, day) do update set units = count_differences.units + excluded.units
