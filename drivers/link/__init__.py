"""The way to one instrument: VISA, deadlines, exact reading, a traffic log, the guard.

Every role has a `link`; a run has one `guard`.
"""

__all__ = [
    "guard",
    "link",
    "traffic_log",
]
