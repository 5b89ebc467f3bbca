"""A run on a live station: connected, locked, stopped, resumed, watched."""

__all__ = [
    "afterwards",
    "connected",
    "finding_procedures",
    "import_run",
    "instruments_found",
    "interrupts",
    "measure",
    "resuming",
    "truth_check",
    "watching",
]
