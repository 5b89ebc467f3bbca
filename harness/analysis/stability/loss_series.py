"""The loss of every sweep in the order of time: what the stability of a long run is found from."""

from __future__ import annotations

from dataclasses import dataclass

from harness.analysis.arrays import FloatArray, IntArray


@dataclass(frozen=True)
class LossSeries:
    """N sweeps of the item in one band, in order of time; losses are means over the band."""

    time: FloatArray
    """(N,) Unix seconds, rising."""
    loss_db: FloatArray
    """(N,) against the reference at that time: the line between neighbouring checks of the zero."""
    uncorrected_db: FloatArray
    """(N,) against the opening normalization alone: what the zero did is still in it."""
    insertion: IntArray
    """(N,) which insertion."""
    temperature_c: FloatArray | None = None
    """(N,) at the time of the sweep, nan where it is not known; None: no sensor."""
