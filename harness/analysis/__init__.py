"""Pure functions on arrays, by subject. Nothing here knows of files, instruments or people.

Others use the subjects below; `README.md` says what the figures mean.
"""

__all__ = [
    "arrays",
    "units",
]
