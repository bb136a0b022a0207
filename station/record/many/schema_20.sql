-- Version 20: from when on a bay's record is held to what had arrived of it, that it was refused of late, and one record under two
-- names.

-- witnessed, witnessed_seq: when its first entry arrived, and where the record ended then; null of one that began to arrive before
-- this was noted. refused, refused_at: why and when it was last refused, also where it is taken again.
alter table bay add column witnessed timestamptz, add column witnessed_seq bigint, add column refused text not null default '',
    add column refused_at timestamptz;
create index event_first on event (hash) where seq = 1;
