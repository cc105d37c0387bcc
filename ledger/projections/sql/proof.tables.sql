-- The full nodes of the Merkle tree over the log. A node stands over the 2^level entries after position number * 2^level.
create table nodes (
    level smallint not null,
    number bigint not null,
    hash bytea not null,
    primary key (level, number)
);
