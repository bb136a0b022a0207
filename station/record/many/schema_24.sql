-- Version 24: what left by hand in a shop's months is a short range of an index, for the sums by technician: by their key all entries
-- that a shop ever made would be read, a page each.

create index movement_out on movement (shop, month) where kind in ('drawn', 'purge', 'waste');
