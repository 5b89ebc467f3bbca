"""Stations, items, the Bench that procedures drive, run files, and the command line."""
