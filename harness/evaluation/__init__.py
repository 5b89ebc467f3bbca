"""A run file's figures from that file alone: its analysis, its diagnosis, how it stands."""

__all__ = [
    "item_diagnosis",
    "run_analysis",
    "standing",
    "verification",
    "watch_look",
]
