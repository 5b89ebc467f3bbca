"""A run on a live station: connected, locked, stopped, resumed, watched."""
