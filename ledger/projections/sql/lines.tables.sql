-- Both sides of every movement, one row a side: what the stock at any date, as it happened or as it was known, is summed from.
create table lines (
    position bigint not null,
    line smallint not null,
    incoming boolean not null,
    account text not null,
    other text not null,
    unit text not null,
    units bigint not null,
    holder text,
    stage text,
    place text,
    at timestamptz not null,
    booked_on date not null,
    recorded_at timestamptz not null,
    type text not null,
    person text not null,
    count uuid,
    order_ref text,
    primary key (position, line, incoming)
);
create index lines_of_holder on lines (holder, stage, place) where holder is not null;
create index lines_by_day on lines (booked_on);
create index lines_of_order on lines (order_ref) where order_ref is not null;
