"""Simulated instruments on loopback ports."""

__all__ = [
    "reply",
    "server",
    "traffic",
]
