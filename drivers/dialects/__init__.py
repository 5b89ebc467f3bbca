"""The words that each role speaks: TOML files, and the form they are checked against.

Others load one with `dialect`; `drivers/README.md` names every key.
"""

__all__ = [
    "dialect",
    "dialect_messages",
    "dialect_print",
    "dialect_roles",
    "dialect_tables",
]
