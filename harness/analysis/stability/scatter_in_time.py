"""How much the sweeps of a long run scatter about what they slowly do, and when."""

from __future__ import annotations

import numpy as np

from harness.analysis.arrays import FloatArray, IntArray
from harness.analysis.stability.outliers_and_steps import insertion_parts
from harness.analysis.units import SECONDS_PER_HOUR

TREND_WINDOW = 11
"""Sweeps of the running mean that the repeatability is taken about."""
MOST_SPANS = 48
"""Spans of time, of at least an hour, that the repeatability is stated for."""


def residuals_about_trend(values: FloatArray, insertion: IntArray) -> FloatArray:
    """(N,) of a running mean of 11 within each insertion, scaled to the standard deviation that
    one sweep of white noise has; nan within half a window of the ends of an insertion."""
    residual = np.full(len(values), np.nan)
    for part in insertion_parts(insertion):
        size = part.stop - part.start
        window = min(TREND_WINDOW, size - 1 + size % 2)
        if window < 3:
            continue
        centred = values[part] - values[part].mean()
        total = np.concatenate([[0.0], np.cumsum(centred)])
        half = window // 2
        # at the ends, where no window has its middle, a slope would pass for scatter
        about = centred[half : size - half] - (total[window:] - total[:-window]) / window
        residual[part.start + half : part.stop - half] = about / np.sqrt(1.0 - 1.0 / window)
    return residual


def rms(values: FloatArray) -> float:
    """Root of the mean square of the values (N,) that are known."""
    known = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(known**2))) if len(known) else float("nan")


def by_span(time: FloatArray, residual: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Middle of each span of an hour or more, and the rms of the residuals in it."""
    whole = float(time[-1] - time[0])
    span = SECONDS_PER_HOUR * max(1.0, np.ceil(whole / SECONDS_PER_HOUR / MOST_SPANS))
    place = ((time - time[0]) // span).astype(np.int64)
    size = int(place[-1]) + 1
    known = np.isfinite(residual)
    count = np.bincount(place[known], minlength=size)
    square = np.bincount(place[known], weights=residual[known] ** 2, minlength=size)
    with np.errstate(invalid="ignore"):
        found = np.sqrt(np.where(count > 0, square / count, np.nan))
    return time[0] + span * (np.arange(size) + 0.5), np.asarray(found)
