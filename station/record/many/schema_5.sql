-- Version 5: where a bay had said something else of the shop's people.

create index event_of_people on event (shop, bay, seq) where kind = 'people';
