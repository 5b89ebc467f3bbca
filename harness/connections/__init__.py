"""Who joins leads and items: a person, a switch, the simulated hand."""
