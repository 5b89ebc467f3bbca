"""Runs taken together: cables, adapters, delays, lots, gauge studies."""
