-- name: put
-- Add the lines of a chunk of entries.
insert into lines
    (position, line, incoming, account, other, unit, units, holder, stage, place, at, booked_on, recorded_at, type,
     person, count, order_ref)
select * from unnest(
    %(position)b::bigint[], %(line)b::smallint[], %(incoming)b::boolean[], %(account)b::text[], %(other)b::text[],
    %(unit)b::text[], %(units)b::bigint[], %(holder)b::text[], %(stage)b::text[], %(place)b::text[],
    %(at)b::timestamptz[], %(booked_on)b::date[], %(recorded_at)b::timestamptz[], %(type)b::text[], %(person)b::text[],
    %(count)b::uuid[], %(order_ref)b::text[])
