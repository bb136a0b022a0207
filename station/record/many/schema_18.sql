-- Version 18: what words are looked for in stands in the index of a company's newest jobs: twenty thousand that are looked through
-- are some hundreds of its pages, and were as many of the table's.

drop index job_newest;
create index job_newest on job (company, opened_utc, shop, bay, seq)
    include (month, vehicle, compartment, technician, job_id, stage, verdict);
