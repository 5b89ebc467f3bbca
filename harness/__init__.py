"""Stations, items, the Bench that procedures drive, run files, reports and the command line."""
