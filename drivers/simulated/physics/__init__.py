"""What a signal meets on the simulated bench, and what is true of it."""
