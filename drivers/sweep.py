"""The one value that instruments hand over: a finished sweep, and what it was asked to be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

S_PARAMETERS = ("S11", "S21", "S12", "S22")


@dataclass(frozen=True)
class SweepSettings:
    """What to sweep, and how."""

    start_hz: float
    stop_hz: float
    points: int
    power_dbm: float
    if_bandwidth_hz: float


@dataclass(frozen=True)
class Sweep:
    """One pass over a band."""

    frequency_hz: NDArray[np.float64]
    """(P,)"""
    traces: tuple[str, ...]
    """S names."""
    readings: NDArray[np.complex128]
    """(S, P), ratios of wave quantities."""
    time: float
    """Unix seconds at the end of the sweep, by the clock of the bench."""
