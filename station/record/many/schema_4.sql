-- Version 4: notices to other systems.

-- Whom notices go to, since when, and how that stands. A receiver that the file names no longer keeps its row.
create table receiver (
    company text not null,
    receiver text not null,
    since timestamptz not null,
    sent bigint not null default 0,
    sent_at timestamptz,
    answer text not null default '',
    tried_at timestamptz,
    primary key (company, receiver)
);

-- A bay's notices go to a receiver one after the other. seq: up to which entry they are drawn from its record. next_at: when the
-- oldest that waits is to be tried; null where none waits.
create table lane (
    company text not null,
    shop text not null,
    bay text not null,
    receiver text not null,
    seq bigint not null,
    next_at timestamptz,
    primary key (shop, bay, receiver)
);
create index lane_next on lane (company, receiver, next_at) where next_at is not null;

-- state: waiting, sent or failed. answer: to the last try, a status of HTTP or a word.
create table notice (
    company text not null,
    shop text not null,
    bay text not null,
    receiver text not null,
    id text not null,
    nth bigint generated always as identity,
    kind text not null,
    body text not null,
    made timestamptz not null default now(),
    state text not null default 'waiting',
    tries integer not null default 0,
    tried timestamptz,
    answer text not null default '',
    primary key (shop, bay, receiver, id)
);
create index notice_waiting on notice (shop, bay, receiver, nth) where state = 'waiting';
create index notice_left on notice (company, receiver, state) where state <> 'sent';
create index notice_newest on notice (company, made);
