"""How finely readings are told, as their own digits show."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

DB_PER_NEPER = 20.0 / np.log(10.0)
MOST_DECIMALS = 12
ROUNDING = 1e-12
"""By how much a number may miss its digits, relative to the larger of it and 1000 of its steps."""
FEWEST_FOR_A_GRID = 6
"""Distinct numbers, from which on equal steps between them are no chance."""
OFF_THE_GRID = 0.01
"""Of a step."""


def step_db(readings: NDArray[np.complex128]) -> float:
    """The step in which readings (P,), ratios or amplitudes, are told, in dB; 0 where none shows.

    They are looked at as levels in dB, as amplitudes and as powers, in decimals and as multiples
    of the smallest difference: one of them is what the instrument answers in.
    """
    usable = readings[np.isfinite(readings) & (readings != 0.0)]
    if not len(usable):
        return 0.0
    size = np.abs(usable)
    typical = float(np.median(size))
    steps = [_step(20.0 * np.log10(size))]
    if np.any(usable.imag):
        parts = np.concatenate([usable.real, usable.imag])
        steps.append(DB_PER_NEPER * _step(parts) / typical)
    else:
        steps.append(DB_PER_NEPER * _step(size) / typical)
        steps.append(0.5 * DB_PER_NEPER * _step(size**2) / typical**2)
    return max(steps)


def _step(values: NDArray[np.float64]) -> float:
    """The step that all of `values` are multiples of but for an offset; 0 where none shows."""
    return max(_decimal_step(values), _common_step(values))


def _decimal_step(values: NDArray[np.float64]) -> float:
    """10 to the minus of the decimals that are enough to write all of `values`."""
    for decimals in range(MOST_DECIMALS + 1):
        scaled = values * 10.0**decimals
        rounding = ROUNDING * max(float(np.max(np.abs(scaled))), 1000.0)
        if rounding > OFF_THE_GRID:
            break
        if np.all(np.abs(scaled - np.round(scaled)) <= rounding):
            return float(10.0**-decimals)
    return 0.0


def _common_step(values: NDArray[np.float64]) -> float:
    """The smallest difference, where all others are multiples of it."""
    distinct = np.unique(values)
    rounding = 1000.0 * ROUNDING * float(np.max(np.abs(distinct)))
    gaps = np.diff(distinct)
    gaps = gaps[gaps > rounding]
    if len(gaps) < FEWEST_FOR_A_GRID:
        return 0.0
    step = float(np.min(gaps))
    multiples = gaps / step
    is_grid = np.all(np.abs(multiples - np.round(multiples)) <= OFF_THE_GRID)
    return step if is_grid else 0.0
