-- Version 2: records that were set aside when a refused bay was accepted anew, and the roll-up's own log of who did it.

-- Of the roll-up's own: each line holds the hash of the one before, so that none goes missing unseen.
create table log (
    seq bigint primary key,
    utc text not null,
    who text not null,
    kind text not null,
    body text not null,
    hash text not null
);

-- A record that was set aside, as the n-th of its bay. because: said by whoever did it. fault: why the bay was refused. seq,
-- hash, verifier: where it ended, and the key that it was signed with.
create table aside (
    company text not null,
    shop text not null,
    bay text not null,
    nth bigint not null,
    utc text not null,
    who text not null,
    because text not null,
    fault text not null,
    seq bigint not null,
    hash text not null,
    verifier text not null,
    primary key (shop, bay, nth)
);

create table aside_event (
    company text not null,
    shop text not null,
    bay text not null,
    nth bigint not null,
    seq bigint not null,
    job_id text,
    kind text not null,
    body text not null,
    boot_id text not null,
    t_s double precision not null,
    utc text not null,
    clock_synced boolean not null,
    hash text not null,
    primary key (shop, bay, nth, seq)
);

create table aside_checkpoint (
    company text not null,
    shop text not null,
    bay text not null,
    nth bigint not null,
    size bigint not null,
    note text not null,
    primary key (shop, bay, nth, size)
);
