-- Version 3: the shop's own lists, which flow down to its bays.

-- What somebody changed in a shop's lists. version: grows by one with each. changes: JSON, as the catalogue's events have them.
create table issue (
    company text not null,
    shop text not null,
    version bigint not null,
    utc text not null,
    who text not null,
    origin text not null,
    changes text not null,
    primary key (shop, version)
);

create index event_of_catalogue on event (shop, bay, seq) where kind = 'catalogue';
