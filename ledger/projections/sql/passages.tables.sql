-- How plants passed through the stages of a batch, by day: the base of every rate, and of what the forecast learns.
-- flow: entered (from an earlier stage or from outside), joined (from or to another batch), left (to a later stage or out),
-- lost, counted (the net difference of counts). via: the cause, the stage or the account on the other side.
create table passages (
    batch text not null,
    stage text not null,
    day date not null,
    flow text not null check (flow in ('entered', 'joined', 'left', 'lost', 'counted')),
    via text not null,
    units bigint not null,
    primary key (batch, stage, day, flow, via)
);

-- The net difference of every count that moved a balance, by the day on which the books count it: count-short below 0, count-over
-- above. More than one day has some where a count was corrected after its period was closed.
create table count_differences (
    entry uuid not null,
    batch text not null,
    stage text not null,
    place text not null,
    day date not null,
    units bigint not null,
    primary key (entry, day)
);
create index count_differences_of_batch on count_differences (batch, stage);
