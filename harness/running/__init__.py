"""A run on a live station: connected, locked, stopped, resumed, watched.

The commands use it; `README.md` says how a run goes, step by step.
"""

__all__ = [
    "afterwards",
    "connected",
    "finding_procedures",
    "import_run",
    "instruments_asked",
    "instruments_found",
    "interrupts",
    "item_run",
    "measure",
    "resuming",
    "truth_check",
    "watching",
]
