"""A run on a live station: connected, locked, stopped, resumed, watched.

The commands use it; `README.md` says how a run goes, step by step.
"""

__all__ = [
    "afterwards",
    "finding_procedures",
    "import_run",
    "instruments_asked",
    "instruments_found",
    "item_run",
    "measure",
    "resuming",
    "station_check",
    "truth_check",
    "watching",
]
