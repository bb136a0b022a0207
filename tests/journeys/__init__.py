"""A browser before the station. A package, so that one browser serves all of it and no test beside it."""
