-- Version 17: the sums of whole years beside those of months, so that a company's year is not added up from twelve times as many
-- lines.

-- year: its first day.
create table use_year (
    company text not null,
    shop text not null,
    bay text not null,
    year date not null,
    fluid text not null,
    jobs bigint not null,
    drained_ul bigint not null, metered_ul bigint not null, filled_ul bigint not null, overflow_ul bigint not null,
    received_ul bigint not null, drawn_ul bigint not null, purge_ul bigint not null, waste_ul bigint not null,
    primary key (shop, bay, year, fluid)
);
insert into use_year
    select company, shop, bay, date_trunc('year', month)::date, fluid, sum(jobs), sum(drained_ul), sum(metered_ul), sum(filled_ul),
        sum(overflow_ul), sum(received_ul), sum(drawn_ul), sum(purge_ul), sum(waste_ul)
    from use_month group by 1, 2, 3, 4, 5 order by 4, 2, 3, 5;
create index use_year_of_company on use_year (company, year);

create table tally_year (
    company text not null,
    shop text not null,
    year date not null,
    dimension text not null,
    name text not null,
    jobs bigint not null, short bigint not null, over bigint not null, undecided bigint not null,
    measured bigint not null, deviation_ppm bigint not null, deviation_ppm2 numeric not null,
    primary key (shop, year, dimension, name)
);
insert into tally_year
    select company, shop, date_trunc('year', month)::date, dimension, name, sum(jobs), sum(short), sum(over), sum(undecided),
        sum(measured), sum(deviation_ppm), sum(deviation_ppm2)
    from tally_month group by 1, 2, 3, 4, 5 order by 3, 2, 4, 5;
create index tally_year_of_company on tally_year (company, year);
