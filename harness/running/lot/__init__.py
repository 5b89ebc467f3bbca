"""A lot at the production bench, item after item into its folder."""

__all__ = [
    "folder",
    "lot_run",
]
