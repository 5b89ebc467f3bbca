"""Studies that take minutes; a reduced form of each is in the suite."""
