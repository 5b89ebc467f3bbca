"""Pure functions on arrays: loss, uncertainty, expected loss, conformity."""
