-- Version 14: which certificate of an instrument is in force is held, so that what is due is one short range among very many.

-- in_force: its newest that no other replaces.
alter table certificate add column in_force boolean not null default true;
with newest as (
    select distinct on (shop, bay, kind, instrument) shop, bay, seq from certificate c
    where not exists (select from certificate r where r.shop = c.shop and r.bay = c.bay and r.replaces = c.number)
    order by shop, bay, kind, instrument,
        case when made_at ~ '^\d{4}-\d\d-\d\dT' then made_at::timestamptz end desc nulls last, seq desc
)
update certificate c set in_force = false
    where not exists (select from newest n where n.shop = c.shop and n.bay = c.bay and n.seq = c.seq);
drop index certificate_due;
create index certificate_due on certificate (company, valid_until, shop, bay, kind, instrument) where in_force;
