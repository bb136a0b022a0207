-- Version 22: bays that were retired, and bays that moved to another shop: each entry of a record is under one name.

-- gone_at: the moment, as the record writes times, from which on entries are not taken under this name; null while it is in use.
-- gone_by, gone_because: who said so, and why. at_shop, at_bay: under which name the record goes on now; null where it does not.
-- since: the moment from which on entries are taken under this name; null of one that has its record from the first entry.
-- from_shop, from_bay: under which name the earlier entries are; null where they are not here. begins, begins_hash,
-- begins_frontier: the last of these, with the tree over them; begins is null until the first entry of this name's own comes.
alter table bay add column gone_at text, add column gone_by text, add column gone_because text,
    add column at_shop text, add column at_bay text, add column since text, add column from_shop text, add column from_bay text,
    add column begins bigint default 0, add column begins_hash text not null default '',
    add column begins_frontier bytea not null default '';
create index bay_gone on bay (shop, bay) where gone_at is not null;

-- A record that was set aside begins behind this one.
alter table aside add column begins bigint not null default 0, add column begins_hash text not null default '';
