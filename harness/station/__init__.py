"""What the TOML files state of a station, its items and its parts."""

__all__ = [
    "certificate_details",
    "instrument_tables",
    "items",
    "loss_table",
    "rule_tables",
    "starter_files",
    "statements",
    "station",
    "zero_allowance",
]
