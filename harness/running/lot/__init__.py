"""A lot at the production bench, item after item into its folder.

Others use `lot_run` to measure one, and `folder` for what is there already.
"""

__all__ = [
    "folder",
    "lot_run",
]
