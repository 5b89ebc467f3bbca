"""What is wrong with an item, from the shape of its loss and its reflections."""

__all__ = [
    "comparison",
    "diagnosed",
    "finding",
    "observation",
    "reflected",
    "reflecting_end",
    "transit_time",
]
