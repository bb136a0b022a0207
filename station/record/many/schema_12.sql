-- Version 12: a notice that its receiver refuses stands aside, and the bay's later ones go on.

-- When one that stands aside is tried next; null where it goes in its lane's order.
alter table notice add column next_at timestamptz;
