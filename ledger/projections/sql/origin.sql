-- name: came_to
-- The first day on which each batch had any plants in each stage.
select batch, stage, min(day) from passages
where batch = any(%(batches)s) and flow in ('entered', 'joined') and units > 0 group by batch, stage

-- name: treated_or_bought
-- Treatments that name some batches, and the buying in of plants, each with the batch that it concerns.
select h.key, e.content, e.type, e.schema from history h join entries e using (position)
where h.kind = 'batch' and h.key = any(%(batches)s) and e.type in ('treated', 'bought-in')
  and not exists (select from entries r where r.reverses = e.id)
order by e.position limit %(limit)s

-- name: stock_plants
-- The cards of some stock plants.
select card::text from cards where kind = 'stock-plant' and key = any(%(keys)s) order by key
