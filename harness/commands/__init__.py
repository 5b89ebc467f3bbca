"""The command line, one file a command; heavy modules are imported where they are used."""
