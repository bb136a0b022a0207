-- Version 9: the names by which jobs are looked for, and a job's number by its beginning.

-- Vehicles, compartments and technicians that a shop's jobs ever named. folded: without capitals, as the station folds them. What
-- is here from before is folded by the server, which may leave an accented letter as it is, until a job names it again.
create table named (
    company text not null,
    shop text not null,
    name text not null,
    folded text not null,
    primary key (shop, name)
);
create index named_of_company on named (company);

insert into named
    select distinct company, shop, name, lower(name) from job cross join lateral
    (values (vehicle), (compartment), (technician)) as one (name) where name is not null;

drop index job_by_id;
create index job_by_id on job (job_id text_pattern_ops, shop, bay);
