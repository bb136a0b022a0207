-- Version 16: a shop's newest jobs, and what a meter's charts and a stock take read, are a short range of an index that has all of it:
-- rows of one shop lie scattered over a month's part of the table, a page each.

drop index job_of_shop, job_of_meter;
create index job_of_shop on job (shop, opened_utc, bay, seq) include (month, job_id, vehicle, compartment, technician, meter, stage,
    verdict, method, proved, deviation_percent, expected_fill_l, expected_fill_u95_l, drained_l, filled_l);
drop index movement_counted;
create index movement_counted on movement (shop, bay, container, place, seq) include (utc) where kind = 'counted';
