"""A long run on a time axis: envelopes of many sweeps, and where nothing was swept."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray

COLUMNS = 200
"""Most columns of an envelope: two units of a drawing for each."""
PAUSE = 2.5
"""A time without a sweep of so many typical spacings is a gap."""


@dataclass(frozen=True)
class Envelope:
    """Least, mean and greatest of the values in each of C columns of time; nan where empty."""

    time: FloatArray
    """(C,) middle of each column."""
    low: FloatArray
    mean: FloatArray
    high: FloatArray


def envelope(time: FloatArray, values: FloatArray, columns: int = COLUMNS) -> Envelope:
    """Of values at rising `time` (N,); single values where they are few enough to be drawn."""
    known = np.isfinite(values)
    time, values = time[known], values[known]
    if not len(time):
        return Envelope(*(np.empty(0),) * 4)
    if len(time) <= columns:
        return _with_gaps(time, values)
    begin, width = float(time[0]), float(time[-1] - time[0]) / columns
    column = np.minimum(((time - begin) / width).astype(np.int64), columns - 1)
    filled, first = np.unique(column, return_index=True)
    low, mean, high = (np.full(columns, np.nan) for _ in range(3))
    low[filled] = np.minimum.reduceat(values, first)
    high[filled] = np.maximum.reduceat(values, first)
    mean[filled] = np.add.reduceat(values, first) / np.diff([*first, len(values)])
    middle = begin + width * (np.arange(columns, dtype=np.float64) + 0.5)
    return Envelope(np.asarray(middle, dtype=np.float64), low, mean, high)


def _with_gaps(time: FloatArray, values: FloatArray) -> Envelope:
    """Every value a column of its own, with an empty one in each gap."""
    after = np.array([place + 1 for place, *_ in _pauses(time)], dtype=np.int64)
    middle = np.array([0.5 * (begin + end) for _, begin, end in _pauses(time)])
    spread = np.insert(values, after, np.nan)
    return Envelope(np.insert(time, after, middle), spread, spread, spread)


def gaps(time: FloatArray) -> list[tuple[float, float]]:
    """Begin and end of each time without a sweep, longest first."""
    found = [(begin, end) for _, begin, end in _pauses(time)]
    return sorted(found, key=lambda gap: gap[0] - gap[1])


def _pauses(time: FloatArray) -> list[tuple[int, float, float]]:
    spacing = np.diff(time)
    if not len(spacing):
        return []
    # the spacing of nine in ten, so that bursts of sweeps make no gaps
    usual = max(float(np.median(spacing)), float(np.quantile(spacing, 0.9)))
    return [
        (int(place), float(time[place]), float(time[place + 1]))
        for place in np.flatnonzero(spacing > PAUSE * usual)
    ]


def time_scale(length_s: float) -> tuple[float, str]:
    """Divisor and unit for the length of a run."""
    if length_s > 4.0 * 86400.0:
        return 86400.0, "d"
    return (3600.0, "h") if length_s > 3.0 * 3600.0 else (60.0, "min")


def averaging_time(seconds: float) -> str:
    """`32 s`, `17 min`, `4.3 h`: two digits, in the unit that fits."""
    for divisor, unit in ((86400.0, "d"), (3600.0, "h"), (60.0, "min"), (1.0, "s")):
        if seconds >= divisor * (2.0 if divisor > 3600.0 else 1.0):
            value = seconds / divisor
            digits = max(1 - math.floor(math.log10(value)), 0)
            return f"{value:.{digits}f}".removesuffix(".0") + f" {unit}"
    return f"{seconds:.2g} s"
