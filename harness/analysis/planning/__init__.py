"""What a measurement would find out, and whole campaigns drawn to prove it."""
