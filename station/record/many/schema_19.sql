-- Version 19: whose versions a shop's lists and fills have, so that its bays know a roll-up that was set up anew.

alter table shop add column series text not null default gen_random_uuid()::text;
create index event_of_sisters on event (shop, bay, seq) where kind = 'sister_fills';
