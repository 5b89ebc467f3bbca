"""Numbers and sentences."""
