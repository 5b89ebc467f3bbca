"""What a connection that was just made reads like: the item, the joined leads, the one before."""

__all__ = [
    "made_connection",
    "reads_like",
    "same_making",
    "zero_level",
]
