"""How a catalogue cable stands to published rows: those it was fitted to, and others.

The others stand in `published_rows.toml`.

Normalized error E_n = (row - catalogue) / sqrt(U_row^2 + U_catalogue^2), agreement where
|E_n| <= 1 (ISO 13528:2015, 9.7; ISO/IEC 17043).
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.expected.attenuation_fit import curve_variance, fit_with_covariance
from harness.analysis.expected.catalogue_parts import METRES_PER_UNIT, Cable, PublishedPoints

COVERAGE_FACTOR = 2.0


@dataclass(frozen=True)
class RowComparison:
    """One published row against the catalogue; arrays have shape (M,)."""

    row: PublishedPoints
    normalized_error: FloatArray

    @property
    def agrees(self) -> bool:
        """Whether every point does."""
        return bool(np.all(np.abs(self.normalized_error) <= 1.0))


def other_rows() -> list[tuple[str, PublishedPoints]]:
    """The rows that no fit has seen, each with the name of its cable."""
    data = tomllib.loads((Path(__file__).with_name("published_rows.toml")).read_text("utf-8"))
    found = []
    for name, rows in data["rows"].items():
        for row in rows:
            mhz, attenuation = np.array(row["points_mhz"], dtype=float).T
            per_m = attenuation / METRES_PER_UNIT[row["unit"]]
            u = row["relative_uncertainty"] * per_m
            found.append(
                (name, PublishedPoints(mhz * 1e6, per_m, u, data["sources"][row["source"]]))
            )
    return found


def compare_row(cable: Cable, row: PublishedPoints) -> RowComparison:
    """A row that the fit has not seen, against the cable's curve and its uncertainty."""
    predicted = cable.attenuation_at_points_db_per_m(row.frequency_hz)
    spread = cable.relative_uncertainty_at(row.frequency_hz) * predicted
    error = (row.attenuation_db_per_m - predicted) / (
        COVERAGE_FACTOR * np.hypot(spread, row.standard_uncertainty_db_per_m)
    )
    return RowComparison(row, error)


def held_out_errors(cable: Cable) -> FloatArray:
    """Normalized error of each point against the fit to all others, (M,).

    The band of the prediction is the type's spread, the fit's covariance, and the point's own
    uncertainty; beyond the other points the spread grows as it does in the catalogue.
    """
    points = cable.points
    count = len(points.frequency_hz)
    errors = np.empty(count)
    for held in range(count):
        rest = np.arange(count) != held
        fit = fit_with_covariance(
            points.frequency_hz[rest],
            points.attenuation_db_per_m[rest],
            points.standard_uncertainty_db_per_m[rest],
        )
        at = points.frequency_hz[held : held + 1]
        ghz = at / 1e9
        predicted = fit.conductor * np.sqrt(ghz) + fit.dielectric * ghz
        beyond = np.maximum(at / points.frequency_hz[rest].max(), 1.0)
        spread = cable.relative_uncertainty * beyond * predicted
        own = points.standard_uncertainty_db_per_m[held]
        band = np.sqrt(spread**2 + curve_variance(fit.covariance, at) + own**2)
        error = (points.attenuation_db_per_m[held] - predicted) / (COVERAGE_FACTOR * band)
        errors[held] = float(error[0])
    return errors
