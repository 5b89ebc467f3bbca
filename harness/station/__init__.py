"""What the TOML files state of a station, its items and its parts."""
