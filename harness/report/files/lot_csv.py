"""Items and bands as a table for a spreadsheet: one row each."""

from __future__ import annotations

import math
from collections.abc import Iterable

from harness.report.files.spreadsheet import Cell, as_csv
from harness.report.words.lot_words import diagnosis
from harness.run_file.figures import BandFigures
from harness.several_runs.lot import LotItem, standing_in, stated_station

COLUMNS = (
    "item", "description", "item_verdict", "run_id", "procedure", "started", "finished",
    "simulated", "station", "earlier_runs", "band", "verdict", "decision_rule", "frequency_hz",
    "insertion_loss_db", "standard_uncertainty_db", "expanded_uncertainty_db", "limit_db",
    "margin_db", "guard_band_db", "conformance_probability", "expected_db",
    "expected_expanded_uncertainty_db", "normalized_error", "zero_change_db", "insertions",
    "diagnosis", "run_file",
)  # fmt: skip


def lot_csv(items: Iterable[LotItem]) -> str:
    """A row for each item and band, in the order given; the names of columns end in their unit.

    Figures are those of the band's deciding point.
    """
    return as_csv(COLUMNS, (row for item in items for row in _rows(item)))


def _rows(item: LotItem) -> Iterable[list[Cell]]:
    run = item.run
    station = str(stated_station(run.station).get("name") or "")
    told = diagnosis(item)
    for name, band in run.bands.items():
        yield [
            item.name, str(run.item.get("description") or ""), item.standing.word, run.run_id,
            run.procedure, run.started, run.finished, run.simulated, station, len(item.earlier),
            name, standing_in(run, name).word, band.rule, band.frequency_hz, band.insertion_loss_db,
            band.standard_uncertainty_db, band.expanded_uncertainty_db, band.limit_db,
            band.margin_db, band.guard_band_db, band.conformance_probability, band.expected_db,
            band.expected_expanded_uncertainty_db, normalized_error(band), band.zero_change_db,
            len(band.insertion_means_db), told, run.path.name,
        ]  # fmt: skip


def normalized_error(band: BandFigures) -> float:
    """E_n at the deciding point (ISO 13528:2015, 9.7); NaN where nothing is expected."""
    reach = math.hypot(band.expanded_uncertainty_db, band.expected_expanded_uncertainty_db)
    difference = band.insertion_loss_db - band.expected_db
    return difference / reach if reach > 0.0 else math.nan
