-- Version 23: a bay that was lent comes back to the name that it had: a name then has more than one stretch of its record.

-- An earlier stay of a bay under a name that it has again. nth: of that name. begins, begins_hash, begins_frontier: behind which
-- entry the stay began; seq, hash, frontier: where it ended. The others as the table of bays had them when it ended. The present
-- stay is in the tables of bays and heads.
create table stay (
    company text not null,
    shop text not null,
    bay text not null,
    nth bigint not null,
    begins bigint not null,
    begins_hash text not null,
    begins_frontier bytea not null,
    seq bigint not null,
    hash text not null,
    frontier bytea not null,
    since text,
    from_shop text,
    from_bay text,
    gone_at text not null,
    gone_by text not null,
    gone_because text not null,
    primary key (shop, bay, nth)
);
