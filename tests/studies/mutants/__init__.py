"""Do the tests notice where the arithmetic is changed? `make mutants`."""
