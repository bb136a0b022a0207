"""A bay without a Pi: chips that answer bit by bit, wired to a physical axle, pan, drum, pump and meter."""
