-- name: take_pen
-- Lock the pen until the transaction ends; nothing may be read for a decision before this has answered.
select position, recorded_at from pen for update

-- name: known
-- The database's clock, read while holding the pen (not now(), which is the time at which the transaction began), and
-- those of some ids that the log knows already; one row at least.
select clock_timestamp(), e.id, e.digest, e.type, e.schema, e.content
from (values (true)) as one (row) left join entries e on e.id = any(%(ids)b::uuid[])

-- name: head
-- The last position and when it was written, without taking the pen.
select position, recorded_at from pen

-- name: reversed_of
-- Which of these entries have been taken back.
select reverses from entries where reverses = any(%(ids)b::uuid[])

-- name: append
-- Write the entries of a turn and leave the pen at the last of them.
with written as (
    update pen set position = %(last)s, recorded_at = %(now)s
)
insert into entries
    (position, id, type, schema, occurred_at, recorded_at, booked_on, person, client, reverses, digest, content)
select * from unnest(
    %(position)b::bigint[], %(id)b::uuid[], %(type)b::text[], %(schema)b::smallint[], %(occurred_at)b::timestamptz[],
    %(recorded_at)b::timestamptz[], %(booked_on)b::date[], %(person)b::text[], %(client)b::text[], %(reverses)b::uuid[],
    %(digest)b::bytea[], %(content)b::text[])

-- name: tell
-- Tell whoever listens, once the transaction has committed, that the log has gone on.
select pg_notify('tallybench', '')

-- name: after
-- The log in order, after a position.
select type, schema, content from entries where position > %(after)s order by position limit %(limit)s

-- name: all_after
-- The log in order, after a position and up to another, for a server-side cursor.
select type, schema, content from entries where position > %(after)s and position <= %(upto)s order by position

-- name: of_type
-- Entries of one type, in order, after a position.
select content from entries where type = %(type)s and position > %(after)s order by position limit %(limit)s

-- name: of_person
-- Entries told by one person, in order, after a position.
select content from entries where person = %(person)s and position > %(after)s order by position limit %(limit)s

-- name: contents_after
-- The log in order as it is kept.
select content from entries where position > %(after)s order by position limit %(limit)s

-- name: of_batch
-- Entries that touched one batch or stock plant, in order, after a position.
select e.content from history h join entries e using (position)
where h.kind = %(kind)s and h.key = %(key)s and h.position > %(after)s
order by h.position limit %(limit)s

-- name: of_crop
-- Entries that touched batches of one crop, in order, after a position.
select e.content from entries e
where e.position > %(after)s and e.position in (
    select h.position from history h join cards c using (kind, key)
    where c.kind = 'batch' and c.card ->> 'crop' = %(crop)s and h.position > %(after)s)
order by e.position limit %(limit)s
