-- name: batches
-- What is known of these batches.
select batch, crop, size, tray_cells from book_batches where batch = any(%(batches)s)

-- name: states
-- What the flow remembers of these crops.
select crop, state from book_state where crop = any(%(crops)s)

-- name: lines_of
-- The lines of entries that are taken back, by the entry's id.
select e.id, l.position, l.line, l.crop, l.size, l.stage, l.place, l.batch, l.day, l.recorded_at, l.type, l.person, l.flow,
       l.cause, l.order_ref, l.span_from, l.units, l.value, l.cost, l.normal
from entries e join book_lines l on l.position = e.position
where e.id = any(%(ids)s)
order by l.position, l.line

-- name: put_lines
-- Add the lines of a chunk of entries.
insert into book_lines
    (position, line, crop, size, stage, place, batch, day, recorded_at, type, person, flow, cause, order_ref, span_from,
     units, value, cost, normal)
select * from unnest(
    %(position)b::bigint[], %(line)b::smallint[], %(crop)b::text[], %(size)b::text[], %(stage)b::text[], %(place)b::text[],
    %(batch)b::text[], %(day)b::date[], %(recorded_at)b::timestamptz[], %(type)b::text[], %(person)b::text[],
    %(flow)b::text[], %(cause)b::text[], %(order_ref)b::text[], %(span_from)b::date[], %(units)b::bigint[],
    %(value)b::bigint[], %(cost)b::bigint[], %(normal)b::bigint[])

-- name: add_months
-- Add the sums of a chunk to their months.
insert into book_months (crop, size, stage, month, flow, cause, units, value, cost, normal)
select * from unnest(
    %(crop)b::text[], %(size)b::text[], %(stage)b::text[], %(month)b::date[], %(flow)b::text[], %(cause)b::text[],
    %(units)b::bigint[], %(value)b::bigint[], %(cost)b::bigint[], %(normal)b::bigint[])
on conflict (crop, size, stage, month, flow, cause) do update
set units = book_months.units + excluded.units, value = book_months.value + excluded.value,
    cost = book_months.cost + excluded.cost, normal = book_months.normal + excluded.normal

-- name: put_batches
-- Batches that the chunk named, or whose trays it told.
insert into book_batches (batch, crop, size, tray_cells)
select * from unnest(%(batch)b::text[], %(crop)b::text[], %(size)b::text[], %(tray_cells)b::integer[])
on conflict (batch) do update set crop = excluded.crop, size = excluded.size, tray_cells = excluded.tray_cells

-- name: put_states
-- What the flow remembers after the chunk.
insert into book_state (crop, state)
select * from unnest(%(crop)b::text[], %(state)b::text[])
on conflict (crop) do update set state = excluded.state
