"""A run file's figures from that file alone: its analysis, its diagnosis, how it stands.

Others use `run_analysis` (finish a file), `read_back` (what a file states) and `standing` (how a
band or a run stands).
"""

__all__ = [
    "read_back",
    "run_analysis",
    "standing",
    "verification",
    "watch_look",
]
