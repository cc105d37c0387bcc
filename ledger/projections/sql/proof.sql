-- name: contents
-- The entries from one position to another as they are kept.
select content from entries where position between %(first)s and %(last)s order by position

-- name: nodes
-- Some nodes of the tree.
select level, number, hash from nodes
where (level, number) in (select * from unnest(%(level)b::smallint[], %(number)b::bigint[]))

-- name: put
-- Add nodes to the tree.
insert into nodes (level, number, hash)
select * from unnest(%(level)b::smallint[], %(number)b::bigint[], %(hash)b::bytea[])

-- name: followed
-- How many entries the tree stands over.
select position from projections where name = 'proof'

-- name: content
-- An entry as it is kept.
select content from entries where position = %(position)s

-- name: told_heads
-- Every head that the log tells of.
select content from entries where type = 'head-signed' order by position

-- name: log_with_leaves
-- The log in order, each entry with its leaf of the tree where the tree stands over it, for a server-side cursor.
select n.hash, e.content from entries e left join nodes n on n.level = 0 and n.number = e.position - 1
order by e.position

-- name: leaves
-- The leaves of the tree in order, for a server-side cursor.
select number, hash from nodes where level = 0 order by number

-- name: rows
-- The log in order with all that stands beside the content, for a server-side cursor.
select position, id, type, schema, occurred_at, recorded_at, booked_on, person, client, reverses, content
from entries order by position
