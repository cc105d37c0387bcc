-- The accountant's books: every effect of an entry on what the plants of one crop, size and stage number and are worth.
-- Money in millionths of a minor unit. `ledger.books.flow` says what each column means.
create table book_lines (
    position bigint not null,
    line smallint not null,
    crop text not null,
    size text,
    stage text not null,
    place text not null,
    batch text not null,
    day date not null,
    recorded_at timestamptz not null,
    type text not null,
    person text not null,
    flow text not null,
    cause text not null,
    order_ref text,
    span_from date,
    units bigint not null,
    value bigint not null,
    cost bigint not null,
    normal bigint not null,
    primary key (position, line)
);
-- The same by month, so that a report need not go through every line. No charge for space crosses the end of a month.
create table book_months (
    crop text not null,
    size text,
    stage text not null,
    month date not null,
    flow text not null,
    cause text not null,
    units bigint not null,
    value bigint not null,
    cost bigint not null,
    normal bigint not null,
    unique nulls not distinct (crop, size, stage, month, flow, cause)
);
create index book_lines_by_day on book_lines (day);
create index book_lines_of_crop on book_lines (crop, day);
create index book_lines_lost on book_lines (day) where flow = 'lost';

create table book_batches (
    batch text primary key,
    crop text not null,
    size text,
    tray_cells integer
);

-- What the flow remembers: of each crop its pools, and under '' the standard costs, areas and the accountant's decisions.
create table book_state (
    crop text primary key,
    state text not null
);
