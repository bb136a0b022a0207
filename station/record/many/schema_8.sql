-- Version 8: over fills are few beside short ones; each list is an order of its own.

drop index job_off, job_of_shop_off;
create index job_off on job (company, verdict, deviation_percent) where verdict in ('short', 'over');
create index job_of_shop_off on job (shop, verdict, deviation_percent) where verdict in ('short', 'over');
