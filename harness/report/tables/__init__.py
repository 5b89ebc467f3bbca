"""Tables for the terminal."""

__all__ = [
    "catalogue_table",
    "expectation_table",
    "gauge_table",
    "lot_table",
    "plan_table",
    "proof_table",
    "run_table",
    "several_runs_tables",
    "watch_view",
]
