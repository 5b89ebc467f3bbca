"""The loss of an item against what it ought to lose, in units of what the two leave open."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import BandResult


@dataclass(frozen=True)
class Comparison:
    """One band, compared; arrays have shape (P,)."""

    frequency_hz: FloatArray
    difference_db: FloatArray
    """Loss less expected loss: positive where the item loses too much."""
    expanded_uncertainty_db: FloatArray
    """Of the difference."""

    @property
    def normalized_error(self) -> FloatArray:
        """E_n = (x - X) / sqrt(U(x)^2 + U(X)^2), the two being independent, (P,).

        ISO 13528:2015, 9.7; ISO/IEC 17043:2010, B.3.1.3. Infinite beyond all numbers.
        """
        with np.errstate(over="ignore"):
            return np.asarray(self.difference_db / self.expanded_uncertainty_db)

    @property
    def worst_index(self) -> int:
        """Where |E_n| is greatest."""
        return int(np.argmax(np.abs(self.normalized_error)))


def compare(band: BandResult) -> Comparison | None:
    """The band against what is expected of it; None where nothing is expected or U is unknown."""
    expected, u = band.expected_db, band.expected_expanded_uncertainty_db
    if expected is None or u is None:
        return None
    with np.errstate(over="ignore", invalid="ignore"):
        reach = np.hypot(band.expanded_uncertainty_db, u)
        difference = band.insertion_loss_db - expected
    if not (np.all(np.isfinite(difference)) and np.all(np.isfinite(reach) & (reach > 0.0))):
        return None
    return Comparison(band.frequency_hz, np.asarray(difference), np.asarray(reach))
