-- name: registered
-- The projections that stand here.
select name, version, position from projections

-- name: cursor_of
-- How far a projection has followed, locked so that only one follower moves it.
select position from projections where name = %(name)s for update

-- name: move_cursor
-- Note how far a projection has followed.
update projections set position = %(position)s where name = %(name)s

-- name: register
-- Note a projection that was built.
insert into projections (name, version, position) values (%(name)s, %(version)s, %(position)s)
on conflict (name) do update set version = excluded.version, position = excluded.position

-- name: let_nobody_swap
-- Wait for a swap to end and let none begin; to come before the first look, which freezes what the transaction sees.
lock table projections in access share mode

-- name: build_alone
-- Wait until nobody else makes tables; held until the session ends.
select pg_advisory_lock(hashtextextended('tallybench: make tables', 0))

-- name: let_nobody_look
-- Wait a second for all looks to end, and let none begin.
set local lock_timeout = '1s'; lock table projections in access exclusive mode

-- name: tables_in
-- The tables of a schema.
select table_name from information_schema.tables where table_schema = %(schema)s order by table_name
