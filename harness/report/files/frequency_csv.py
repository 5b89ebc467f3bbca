"""One run as a table over frequency, for a spreadsheet."""

from __future__ import annotations

import numpy as np

from harness.evaluation.standing import standing_in_run
from harness.report.files.spreadsheet import Cell, as_csv
from harness.report.words.sentences import item_name
from harness.run_file.run import BandResult, Run

_PER_FREQUENCY = (
    "frequency_hz", "insertion_loss_db", "standard_uncertainty_db", "effective_dof",
    "coverage_factor", "expanded_uncertainty_db", "interval_low_db", "interval_high_db",
    "limit_db", "expected_db", "expected_expanded_uncertainty_db",
)  # fmt: skip
COLUMNS = ("item", "run_id", "simulated", "band", "band_verdict", *_PER_FREQUENCY)


def frequency_csv(run: Run) -> str:
    """A row for each band and frequency; the names of the columns end in their unit."""
    rows: list[list[Cell]] = []
    for name, band in run.bands.items():
        begin: list[Cell] = [
            item_name(run), run.run_id, run.simulated, name, standing_in_run(run, name).word,
        ]  # fmt: skip
        rows += [[*begin, *values] for values in _values(band)]
    return as_csv(COLUMNS, rows)


def _values(band: BandResult) -> list[list[float]]:
    unknown = np.full(len(band.frequency_hz), np.nan)
    stated = [getattr(band, name) for name in _PER_FREQUENCY]
    columns = [unknown if values is None else values for values in stated]
    table: list[list[float]] = np.column_stack(columns).tolist()
    return table
