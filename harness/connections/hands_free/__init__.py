"""Connections watched while they are made, with RF on by itself for short looks."""

__all__ = [
    "hands_free_exchange",
    "quick_look",
]
