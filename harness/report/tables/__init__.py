"""Tables for the terminal."""
