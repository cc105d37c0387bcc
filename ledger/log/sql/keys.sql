-- name: make
-- A new key; only its hash is kept.
insert into keys (prefix, hash, name, scopes, expires_at)
values (%(prefix)s, %(hash)s, %(name)s, %(scopes)s, %(expires_at)s)

-- name: find
-- The key with this hash, unless it was revoked.
select prefix, name, scopes, expires_at from keys where hash = %(hash)s and revoked_at is null

-- name: find_device
-- The key with this prefix and its hash, which signs the sessions of its device, unless it was revoked.
select prefix, name, scopes, expires_at, hash from keys where prefix = %(prefix)s and revoked_at is null

-- name: heard
-- Note that a device was heard of, and how many entries wait on it.
update keys set heard_at = clock_timestamp(), waiting = %(waiting)s where prefix = %(prefix)s

-- name: devices
-- Devices that have ever been heard of and may still write, the one longest silent first.
select name, heard_at, waiting from keys
where heard_at is not null and revoked_at is null and (expires_at is null or expires_at > clock_timestamp())
  and 'write' = any(scopes)
order by heard_at

-- name: used
-- Note the day on which a key was last used.
update keys set last_used_on = %(day)s where prefix = %(prefix)s and last_used_on is distinct from %(day)s

-- name: list
-- All keys, the newest first.
select prefix, name, scopes, made_at, expires_at, revoked_at, last_used_on from keys order by made_at desc

-- name: revoke
-- End a key.
update keys set revoked_at = clock_timestamp() where prefix = %(prefix)s and revoked_at is null returning name
