"""How a catalogue cable stands to published rows: those it was fitted to, and others.

Normalized error E_n = (row - catalogue) / sqrt(U_row^2 + U_catalogue^2), agreement where
|E_n| <= 1 (ISO 13528:2015, 9.7; ISO/IEC 17043).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.expected.attenuation_fit import fit_with_covariance
from harness.analysis.expected.catalogue_parts import Cable, PublishedPoints

COVERAGE_FACTOR = 2.0


@dataclass(frozen=True)
class RowComparison:
    """One published row against the catalogue; arrays have shape (M,)."""

    row: PublishedPoints
    catalogue_db_per_m: FloatArray
    normalized_error: FloatArray

    @property
    def agrees(self) -> bool:
        """Whether every point does."""
        return bool(np.all(np.abs(self.normalized_error) <= 1.0))


def compare_row(cable: Cable, row: PublishedPoints) -> RowComparison:
    """A row that the fit has not seen, against the cable's curve and its uncertainty."""
    predicted = cable.attenuation_at_points_db_per_m(row.frequency_hz)
    spread = cable.relative_uncertainty_at(row.frequency_hz) * predicted
    error = (row.attenuation_db_per_m - predicted) / (
        COVERAGE_FACTOR * np.hypot(spread, row.standard_uncertainty_db_per_m)
    )
    return RowComparison(row, predicted, error)


def fit_residuals(cable: Cable) -> FloatArray:
    """Fitted points less the curve, in standard uncertainties of the points, (M,).

    Raises:
        ValueError: the cable was not fitted to points.
    """
    points = _points(cable)
    fitted = cable.attenuation_at_points_db_per_m(points.frequency_hz)
    return np.asarray((points.attenuation_db_per_m - fitted) / points.standard_uncertainty_db_per_m)


def held_out_errors(cable: Cable) -> FloatArray:
    """Normalized error of each point against the fit to all others, (M,).

    The band of the prediction is the type's spread, the fit's covariance, and the point's own
    uncertainty; beyond the other points the spread grows as it does in the catalogue.

    Raises:
        ValueError: the cable was not fitted to points, or to fewer than three.
    """
    points = _points(cable)
    count = len(points.frequency_hz)
    if count < 3:
        raise ValueError(f"{cable.name} has {count} points: none can be held out")
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
        band = np.sqrt(spread**2 + fit.variance_at(at) + own**2)
        error = (points.attenuation_db_per_m[held] - predicted) / (COVERAGE_FACTOR * band)
        errors[held] = float(error[0])
    return errors


def _points(cable: Cable) -> PublishedPoints:
    if cable.points is None:
        raise ValueError(f"{cable.name} rests on constants, not on published points")
    return cable.points
