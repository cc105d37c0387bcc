-- name: put
-- Add the lines of a chunk of entries.
insert into lines
    (position, line, incoming, account, other, unit, units, holder, stage, place, at, booked_on, recorded_at, type,
     person, count, order_ref)
select * from unnest(
    %(position)s::bigint[], %(line)s::smallint[], %(incoming)s::boolean[], %(account)s::text[], %(other)s::text[],
    %(unit)s::text[], %(units)s::integer[], %(holder)s::text[], %(stage)s::text[], %(place)s::text[],
    %(at)s::timestamptz[], %(booked_on)s::date[], %(recorded_at)s::timestamptz[], %(type)s::text[], %(person)s::text[],
    %(count)s::uuid[], %(order_ref)s::text[])
