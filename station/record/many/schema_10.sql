-- Version 10: what fills whose level was proved say of their compartments, and what each bay's came to by type, for its sisters.

-- proved_fill_l: what the fill says of its compartment (its doubt is filled_u95_l); null where nothing proved it. proved_by: what
-- did.
alter table job add column proved_fill_l double precision, add column proved_by text;
update job set
    proved_fill_l = coalesce((e.body::jsonb -> 'row' ->> 'proved_fill_l')::double precision, job.filled_l),
    proved_by = case when e.body::jsonb -> 'row' ->> 'level_seen' = '1' then 'level seen' else 'pan' end
    from event e where e.shop = job.shop and e.bay = job.bay and e.seq = job.seq
        and job.proved and job.stage = 'closed' and job.filled_l is not null and job.filled_u95_l is not null;
create index job_of_type on job (shop, bay, compartment_type, method, seq) where proved_fill_l is not null;

-- The newest word of each bay on each type and method; n is 0 where there is nothing any more. version: of its shop, each change
-- a higher one.
create table fills_of_type (
    company text not null,
    shop text not null,
    bay text not null,
    compartment_type text not null,
    method text not null,
    version bigint not null,
    utc text not null,
    n bigint not null,
    mean_l double precision not null,
    ss_l2 double precision not null,
    u_l double precision not null,
    left_out bigint not null,
    since_utc text not null,
    until_utc text not null,
    primary key (shop, bay, compartment_type, method)
);
create index fills_newest on fills_of_type (shop, version);

-- When the bay's were last drawn from its jobs.
alter table bay add column fills_drawn timestamptz;
