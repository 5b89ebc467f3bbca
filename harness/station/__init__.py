"""What the TOML files state of a station, its items and its parts.

Others use `items` (both files, checked against each other) and `station`; `README.md` names
every key.
"""

__all__ = [
    "certificate_details",
    "instrument_tables",
    "items",
    "leads_level",
    "loss_table",
    "starter_files",
    "statements",
    "station",
    "workplace_doubts",
    "zero_allowance",
]
