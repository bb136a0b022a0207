-- Version 13: jobs whose raw samples their bay has let go.

create index event_of_letting_go on event (shop, bay, seq) where kind = 'samples_let_go';
