"""What a loss does to a radio link, and how long a cable may be before it is too much."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from harness.analysis.arrays import FloatArray

HALVINGS = 60
"""Of the interval in which a length is sought: enough for the last digit of a double."""
LONGEST_SOUGHT_M = 1e6


def power_lost(loss_db: FloatArray) -> FloatArray:
    """Share of the power that does not arrive, 1 - 10^(-A/10), as `loss_db`."""
    return np.asarray(-np.expm1(-np.log(10.0) * loss_db / 10.0))


def range_lost(loss_db: FloatArray) -> FloatArray:
    """Share of the range lost, 1 - 10^(-A/20), as `loss_db`.

    In free space received power falls with the square of distance (transmission equation of
    free space; textbook). Near the ground it falls faster, and less range is lost.
    """
    return np.asarray(-np.expm1(-np.log(10.0) * loss_db / 20.0))


def longest_length_m(loss_of: Callable[[float], float], limit_db: float) -> float:
    """The greatest length in m whose loss stays at or below `limit_db`.

    `loss_of` gives the largest loss in dB of a length in m, and rises with length.

    Raises:
        ValueError: even a cable of no length loses too much, or none loses enough.
    """
    shortest = loss_of(0.0)
    if shortest > limit_db:
        raise ValueError(
            f"without any cable the chain loses {shortest:.3g} dB, more than {limit_db:g} dB"
        )
    low, high = 0.0, 1.0
    while loss_of(high) <= limit_db:
        low, high = high, 2.0 * high
        if high > LONGEST_SOUGHT_M:
            raise ValueError(f"{limit_db:g} dB is not reached by {LONGEST_SOUGHT_M:g} m of cable")
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if loss_of(middle) <= limit_db else (low, middle)
    return low
