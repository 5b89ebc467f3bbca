"""Readings that cannot be what they are said to be."""

from __future__ import annotations

import numpy as np

from harness.analysis.arrays import ComplexArray, FloatArray
from harness.analysis.loss.loss import level_db

LEAST_THROUGH_DB = -60.0
"""Two leads with pads of 20 dB each, joined, still read more than this."""
BELOW_NOTHING = 2.0
"""Reaches of an interval below 0 dB that no noise of a few points explains."""
IMPOSSIBLE = (
    "The loss lies below 0 dB with its whole interval, which no passive item can: something was "
    "between the leads while normalizing, through and item were exchanged, or the zero moved. "
    "There is no verdict; normalize and measure again."
)


def through_fault(transmission: ComplexArray) -> str:
    """Why a sweep of the through, (P,), cannot be one; empty if it can."""
    median_db = float(np.median(level_db(transmission)))
    if median_db < LEAST_THROUGH_DB:
        return f"the through reads {median_db:.0f} dB, as if the leads were not joined"
    return ""


def is_impossible(loss_db: FloatArray, reach_db: FloatArray) -> bool:
    """Whether a loss (P,) lies below 0 dB with the whole of its interval, which reaches `reach_db`
    (P,) above it: on the mean over any half of the band, or by twice that over any eighth.

    Over a part of the band, for of so many points one is outside of its interval by chance: noise
    is drawn anew at each. What is common to them is not, and is outside in one of 44 cases of a
    loss of exactly 0 dB.
    """
    return any(
        float(np.min(_over_part(loss_db + times * reach_db, share))) < 0.0
        for share, times in ((2, 1.0), (8, BELOW_NOTHING))
    )


def _over_part(values: FloatArray, share: int) -> FloatArray:
    """Means of values (P,) over every run of one part in `share` of them."""
    width = -(-len(values) // share)
    return np.convolve(values, np.full(width, 1.0 / width), mode="valid")
