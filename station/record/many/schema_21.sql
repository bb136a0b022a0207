-- Version 21: what a container's stock take reads lies between two places in its bay's record, however much came behind.

drop index movement_of_container;
create index movement_of_container on movement (shop, bay, container, place, seq);
