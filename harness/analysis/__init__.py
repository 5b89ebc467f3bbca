"""Pure functions on arrays, by subject. Nothing here knows of files, instruments or people."""

__all__ = [
    "arrays",
    "units",
]
