"""Files for other programs: JSON, CSV, Touchstone."""

__all__ = [
    "catalogue_json",
    "frequency_csv",
    "gauge_json",
    "lot_csv",
    "lot_json",
    "plan_json",
    "result_json",
    "spreadsheet",
    "touchstone",
    "whole_file",
]
