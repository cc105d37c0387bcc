-- name: standing
-- What stands at some places, by batch and stage, with the cells of its trays, in the order of the batches.
select b.place, b.holder, b.crop, b.size, b.stage, b.unit, b.units, (c.card ->> 'born_on')::date,
       (c.card -> 'standing' -> (b.stage || '/' || b.place) ->> 'since')::timestamptz, b.counted_at, b.counted_how,
       coalesce(nullif(t.tray_cells, 0), (r.card -> 'value' ->> 'tray_cells')::integer),
       case when b.stage = 'rooted' then (r.card -> 'value' -> 'holding_limit_days')::text end
from balances b
join cards c on c.kind = 'batch' and c.key = b.holder
left join book_batches t on t.batch = b.holder
left join cards r on r.kind = 'recipe' and r.key = b.crop
where b.holder is not null and b.stage <> 'stock' and b.units > 0 and b.place = any(%(places)s)
order by b.place, b.holder, b.stage

-- name: stock_plants
-- Stock plants that stand at some places.
select b.place, b.holder, b.crop, b.units from balances b
where b.holder is not null and b.stage = 'stock' and b.units > 0 and b.place = any(%(places)s)
order by b.place, b.holder

-- name: places
-- The cards of all places by house and code.
select card::text from cards where kind = 'place' order by card -> 'value' ->> 'house', key

-- name: sizes
-- The cards of all sizes.
select card::text from cards where kind = 'size' order by key

-- name: names
-- The names of crops.
select key, card -> 'value' ->> 'name', card -> 'value' ->> 'species' from cards where kind = 'crop' and key = any(%(keys)s)

-- name: cards_of
-- The cards of some batches.
select card::text from cards where kind = 'batch' and key = any(%(keys)s) order by key
