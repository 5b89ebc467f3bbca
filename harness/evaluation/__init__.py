"""A run file's figures from that file alone: its analysis, its diagnosis, how it stands."""
