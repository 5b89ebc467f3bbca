"""The words that each role speaks: TOML files, and the form they are checked against."""
