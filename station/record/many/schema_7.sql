-- Version 7: what bays call their fluids, as their catalogues last said it.

create table fluid_name (
    company text not null,
    shop text not null,
    bay text not null,
    fluid text not null,
    name text not null,
    primary key (shop, bay, fluid)
);

insert into fluid_name
    select distinct on (e.shop, e.bay, c -> 'key' ->> 0) e.company, e.shop, e.bay, c -> 'key' ->> 0, c -> 'fields' ->> 'name'
    from event e cross join lateral jsonb_array_elements(e.body::jsonb -> 'changes') as c
    where e.kind = 'catalogue' and position('\u0000' in e.body) = 0 and c ->> 'table' = 'fluid' and c -> 'fields' ? 'name'
    order by e.shop, e.bay, c -> 'key' ->> 0, e.seq desc;
