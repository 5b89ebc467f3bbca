"""The roles: what an analyzer, a generator, a meter, a switch has to be able to do."""
