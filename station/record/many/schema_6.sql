-- Version 6: what jobs took out of containers, and each container as its movements left it. What one holds by the books is then
-- two short ranges behind its last count, where before it was asked of every month's part of the table of jobs.

-- A job that drew from a container. opened_seq: the first entry of it.
create table taken (
    company text not null,
    shop text not null,
    bay text not null,
    container text not null,
    opened_seq bigint not null,
    seq bigint not null,
    metered_l double precision,
    u95_l double precision,
    primary key (shop, bay, container, opened_seq, seq) include (metered_l, u95_l)
);

-- seq, fluid: of its newest movement. counted_: of its last count; null before the first.
create table container (
    company text not null,
    shop text not null,
    bay text not null,
    container text not null,
    seq bigint not null,
    fluid text not null,
    counted_seq bigint,
    counted_utc text,
    counted_l double precision,
    counted_u95_l double precision,
    primary key (shop, bay, container)
);

insert into taken
    select j.company, j.shop, j.bay, j.container, e.seq, j.seq, j.metered_l, j.filled_u95_l
    from job j, lateral (select min(seq) as seq from event where shop = j.shop and bay = j.bay and job_id = j.job_id) e
    where j.container is not null and e.seq is not null;
insert into container
    select n.company, n.shop, n.bay, n.container, n.seq, n.fluid, c.seq, c.utc, c.volume_l, c.u95_l
    from (select distinct on (shop, bay, container) * from movement where container is not null
        order by shop, bay, container, seq desc) n
    left join (select distinct on (shop, bay, container) * from movement where container is not null and kind = 'counted'
        order by shop, bay, container, seq desc) c using (shop, bay, container);
drop index job_of_container;

-- A part of the table of jobs is one month, but within it an index that names the month first is in no order that a list of
-- several months could be merged from.
drop index job_newest, job_of_shop, job_off, job_of_shop_off, job_of_meter;
create index job_newest on job (company, opened_utc, shop, bay, seq);
create index job_of_shop on job (shop, opened_utc);
create index job_off on job (company, deviation_percent) where verdict in ('short', 'over');
create index job_of_shop_off on job (shop, deviation_percent) where verdict in ('short', 'over');
create index job_of_meter on job (shop, meter, opened_utc) where proved and deviation_percent is not null;
