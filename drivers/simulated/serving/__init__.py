"""Simulated instruments on loopback ports."""
