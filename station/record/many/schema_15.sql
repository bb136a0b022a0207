-- Version 15: what a company calls its fluids is found at both ends of an index, not by reading what each bay calls them.

create index fluid_name_of_company on fluid_name (company, fluid, name, shop);
