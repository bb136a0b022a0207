-- Many bays' records in one PostgreSQL (15 or newer). Every key and every unique index has the shop in it, so that shops can
-- be spread over servers; there is no trigger, and no foreign key between tables that would be spread.

create table version (schema integer not null);

create table shop (
    company text not null,
    shop text primary key,
    time_zone text not null
);

-- token_hash: SHA-256 of what the bay shows. verifier: the public key that was seen first, or was entered by hand.
-- page: where the bay's own pages are. fault: why its record is not taken, since when.
create table bay (
    company text not null,
    shop text not null,
    bay text not null,
    token_hash bytea not null,
    verifier text not null default '',
    page text not null default '',
    name text not null default '',
    software text not null default '',
    heard timestamptz,
    newest_seq bigint not null default 0,
    fault text not null default '',
    fault_since timestamptz,
    primary key (shop, bay)
);

-- How far a bay's record is here. frontier: its Merkle tree, to hold checkpoints to. forks: how often it went on from an
-- older copy.
create table head (
    company text not null,
    shop text not null,
    bay text not null,
    seq bigint not null,
    hash text not null,
    frontier bytea not null,
    primary key (shop, bay)
);

-- body stays the very text that was hashed.
create table event (
    company text not null,
    shop text not null,
    bay text not null,
    seq bigint not null,
    job_id text,
    kind text not null,
    body text not null,
    boot_id text not null,
    t_s double precision not null,
    utc text not null,
    clock_synced boolean not null,
    hash text not null,
    primary key (shop, bay, seq)
);
create index event_of_job on event (shop, bay, job_id, seq) where job_id is not null;

create table checkpoint (
    company text not null,
    shop text not null,
    bay text not null,
    size bigint not null,
    note text not null,
    primary key (shop, bay, size)
);

-- Entries that nothing could be drawn from; they are in event all the same.
create table unread (
    company text not null,
    shop text not null,
    bay text not null,
    seq bigint not null,
    text text not null,
    primary key (shop, bay, seq)
);

-- A job as its bay's own list has it, with the day and month of its shop. deviation_percent: of a closed and measured fill.
-- proved: whether something else than the meter bore the fill out.
create table job (
    company text not null,
    shop text not null,
    bay text not null,
    seq bigint not null,
    month date not null,
    day date not null,
    job_id text not null,
    opened_utc text not null,
    closed_utc text,
    stage text not null,
    verdict text not null,
    vehicle text, compartment text, compartment_type text, technician text, grade text,
    meter text, container text, fluid text, method text,
    listed_capacity_l double precision,
    expected_fill_l double precision, expected_fill_u95_l double precision,
    drained_l double precision, drained_u95_l double precision,
    metered_l double precision,
    overflow_l double precision, overflow_u95_l double precision,
    filled_l double precision, filled_u95_l double precision,
    deviation_percent double precision,
    proved boolean not null,
    primary key (shop, bay, seq, month)
) partition by range (month);
create table job_other partition of job default;
create index job_newest on job (company, month, opened_utc);
create index job_of_shop on job (shop, month, opened_utc);
create index job_off on job (company, month, deviation_percent) where verdict in ('short', 'over');
create index job_of_shop_off on job (shop, month, deviation_percent) where verdict in ('short', 'over');
create index job_of_meter on job (company, meter, month, opened_utc) where proved and deviation_percent is not null;
create index job_of_container on job (shop, bay, container, seq);
create index job_by_id on job (shop, bay, job_id);

create table movement (
    company text not null,
    shop text not null,
    bay text not null,
    seq bigint not null,
    month date not null,
    day date not null,
    utc text not null,
    kind text not null,
    container text, fluid text not null, vehicle text, technician text,
    volume_l double precision not null,
    u95_l double precision not null,
    note text not null,
    primary key (shop, bay, seq)
);
create index movement_of_container on movement (shop, bay, container, seq);

create table certificate (
    company text not null,
    shop text not null,
    bay text not null,
    seq bigint not null,
    number text not null,
    kind text not null,
    instrument text not null,
    made_at text not null,
    valid_until date not null,
    replaces text,
    primary key (shop, bay, seq)
);
create index certificate_due on certificate (company, valid_until);

-- Sums in whole microlitres: they come out the same in whatever order bays report.
create table use_day (
    company text not null,
    shop text not null,
    bay text not null,
    day date not null,
    fluid text not null,
    jobs bigint not null,
    drained_ul bigint not null, metered_ul bigint not null, filled_ul bigint not null, overflow_ul bigint not null,
    received_ul bigint not null, drawn_ul bigint not null, purge_ul bigint not null, waste_ul bigint not null,
    primary key (shop, bay, day, fluid)
);
create index use_day_of_company on use_day (company, day);

create table use_month (
    company text not null,
    shop text not null,
    bay text not null,
    month date not null,
    fluid text not null,
    jobs bigint not null,
    drained_ul bigint not null, metered_ul bigint not null, filled_ul bigint not null, overflow_ul bigint not null,
    received_ul bigint not null, drawn_ul bigint not null, purge_ul bigint not null, waste_ul bigint not null,
    primary key (shop, bay, month, fluid)
);
create index use_month_of_company on use_month (company, month);

-- Closed jobs by what they share. measured, deviation_ppm, deviation_ppm2: of fills that were borne out, in parts per million,
-- for a mean and its scatter.
create table tally_month (
    company text not null,
    shop text not null,
    month date not null,
    dimension text not null,
    name text not null,
    jobs bigint not null, short bigint not null, over bigint not null, undecided bigint not null,
    measured bigint not null, deviation_ppm bigint not null, deviation_ppm2 numeric not null,
    primary key (shop, month, dimension, name)
);
create index tally_month_of_company on tally_month (company, month, dimension);
