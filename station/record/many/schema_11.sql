-- Version 11: a movement that was dated back counts when it happened, as it does at its bay. What is summed of those bays is drawn
-- anew by the roll-up itself when it brings these tables up.

-- utc, day, month: when it happened, as it states. place: where that is in its bay's record: its own number, or that of the
-- newest entry at the time that it states.
alter table movement add column place bigint;
update movement set place = seq;
with stated as (
    select m.shop, m.bay, m.seq, e.body::jsonb ->> 'utc' as utc, s.time_zone
    from movement m join event e on e.shop = m.shop and e.bay = m.bay and e.seq = m.seq join shop s on s.shop = m.shop
    where e.body::jsonb ? 'utc' and e.body::jsonb ->> 'utc' <> e.utc
)
update movement m set utc = t.utc, day = (t.utc::timestamptz at time zone t.time_zone)::date,
    month = date_trunc('month', t.utc::timestamptz at time zone t.time_zone)::date,
    place = coalesce((select o.seq from event o where o.shop = t.shop and o.bay = t.bay and o.seq < t.seq and o.utc <= t.utc
        order by o.seq desc limit 1), 0)
    from stated t where m.shop = t.shop and m.bay = t.bay and m.seq = t.seq;
alter table movement alter column place set not null;
create index movement_counted on movement (shop, bay, container, place, seq) where kind = 'counted';

-- counted_place: of its last count; counted_seq is that count's own number.
alter table container add column counted_place bigint;
update container set counted_place = counted_seq;
