"""How often the intervals of the stability analysis hold what they were drawn from."""
