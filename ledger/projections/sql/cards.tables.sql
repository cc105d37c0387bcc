-- One card a thing, and which entries touched it; the balances that follow from the cards.
create table cards (
    kind text not null,
    key text not null,
    version integer not null,
    position bigint not null,
    card jsonb not null,
    primary key (kind, key)
);
create index cards_of_crop on cards ((card ->> 'crop'), (card ->> 'size'), key) where kind = 'batch';

create index cards_held on cards (key) where kind = 'promise' and card ->> 'state' = 'held';

-- promises with anything left to pick
create index cards_open on cards (key) where kind = 'promise' and card -> 'open' is not null;
-- what is held and has to be looked at again, what is stopped, and what is picked and has not left
create index cards_waiting on cards (kind, key) where card -> 'holds' is not null;
create index cards_stopped on cards (kind, key) where card -> 'stops' is not null;
create index cards_picked on cards (key) where kind = 'order' and card -> 'picked' is not null;
-- what has changed after a position: for whoever keeps cards in memory
create index cards_changed on cards (position);

-- the second, independent guard against two decisions from the same state
create table history (
    kind text not null,
    key text not null,
    version integer not null,
    position bigint not null,
    primary key (kind, key, version)
);

-- what each entry moved at each standing account, in the occurred order: a late slip is held against what follows it
create table account_lines (
    account text not null,
    at timestamptz not null,
    rank bigint not null,
    position bigint not null,
    units bigint not null,
    primary key (account, at, rank, position)
);

create table balances (
    account text not null,
    unit text not null,
    holder text,
    stage text,
    place text,
    crop text,
    size text,
    units bigint not null,
    counted_at timestamptz,
    counted_how text,
    counted_by text,
    last_at timestamptz,
    primary key (account, unit),
    check (holder is null or units >= 0)
);
create index balances_of_crop on balances (crop, size, stage) where holder is not null;
create index balances_at_place on balances (place) where holder is not null;
