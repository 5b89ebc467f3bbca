"""What parts ought to lose: the catalogue, chains of parts, and the loss compared with it."""
