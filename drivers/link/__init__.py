"""The way to one instrument: VISA, deadlines, exact reading, a traffic log, the guard."""

__all__ = [
    "guard",
    "link",
    "traffic_log",
]
