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

-- The same summed up, a row for each batch and stage: what reports read without going through every day.
-- begun: the first day on which any came in (or came back from a later stage); last_day: the last on which anything happened.
-- outside: what entered from the opening or a supplier; used: what left to be made into something else; joined_in: joined, without what joined others.
create table stays (
    batch text not null,
    stage text not null,
    begun date,
    last_day date,
    entered bigint not null,
    outside bigint not null,
    joined bigint not null,
    joined_in bigint not null,
    counted bigint not null,
    passed bigint not null,
    used bigint not null,
    lost bigint not null,
    primary key (batch, stage)
);
create index stays_by_day on stays (begun, last_day);

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
