"""Readings that cannot be what they are said to be."""

from __future__ import annotations

import numpy as np

from harness.analysis.arrays import ComplexArray
from harness.analysis.loss.loss import level_db

LEAST_THROUGH_DB = -60.0
"""Two leads with pads of 20 dB each, joined, still read more than this."""


def through_fault(transmission: ComplexArray) -> str:
    """Why a sweep of the through, (P,), cannot be one; empty if it can."""
    median_db = float(np.median(level_db(transmission)))
    if median_db < LEAST_THROUGH_DB:
        return f"the through reads {median_db:.0f} dB, as if the leads were not joined"
    return ""
