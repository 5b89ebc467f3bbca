"""Runs taken together: cables, adapters, delays, lots, gauge studies.

From files alone; the commands and the reports use it.
"""

__all__ = [
    "adapter_losses",
    "cable_entry",
    "cable_from_lengths",
    "gauge_results",
    "gauge_runs",
    "item_delay",
    "lot",
    "lot_findings",
]
