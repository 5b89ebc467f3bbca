"""A run file's figures from that file alone: its analysis, its diagnosis, how it stands.

Others use `run_analysis` (finish a file, read it back) and `standing` (how a band or a run stands).
"""

__all__ = [
    "item_diagnosis",
    "run_analysis",
    "standing",
    "verification",
    "watch_look",
]
