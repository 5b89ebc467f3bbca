"""Sweeps on the evenly spaced grid of their schedule, with gaps where one is missing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray, IntArray

BURST_RATIO = 4.0
"""A pause so many times the median spacing parts one burst of sweeps from the next."""
FEWEST_BURSTS = 0.1
"""Pauses, as a share of all spacings, from which on sweeps come in bursts."""
MOST_PER_VALUE = 20
"""Places of the grid for every value on it; more are for sweeps that follow no schedule."""


@dataclass(frozen=True)
class TimeGrid:
    """N sweeps on a grid of G places."""

    interval_s: float
    place: IntArray
    """(N,) place of each sweep on the grid."""
    size: int
    """G"""

    def means(self, values: FloatArray) -> FloatArray:
        """(G,) the mean of the `values` (N,) at each place, nan where there is none."""
        known = np.isfinite(values)
        count = np.bincount(self.place[known], minlength=self.size)
        total = np.bincount(self.place[known], weights=values[known], minlength=self.size)
        with np.errstate(invalid="ignore"):
            return np.asarray(np.where(count > 0, total / count, np.nan))

    @property
    def missing(self) -> int:
        """Places without a sweep."""
        return self.size - len(np.unique(self.place))


def time_grid(time: FloatArray) -> TimeGrid:
    """The grid of sweeps at rising `time` (N,), N >= 2: their median spacing.

    Several sweeps in quick succession at every tick of a schedule share a place.

    Raises:
        ValueError: time stands still.
    """
    spacing = np.diff(time)
    if np.any(spacing < 0.0) or time[-1] <= time[0]:
        raise ValueError("the sweeps are not in order of time")
    median_s = float(np.median(spacing[spacing > 0.0]))
    pauses = spacing > BURST_RATIO * median_s
    if np.count_nonzero(pauses) >= max(FEWEST_BURSTS * len(spacing), 2):
        starts = np.concatenate([[True], pauses])
        ticks = time[starts]
        interval_s = float(np.median(np.diff(ticks)))
        at = np.round((ticks - ticks[0]) / interval_s)[np.cumsum(starts) - 1]
    else:
        interval_s = median_s
        at = np.round((time - time[0]) / interval_s)
    if at[-1] > MOST_PER_VALUE * len(time):
        interval_s = float(time[-1] - time[0]) / len(time)
        at = np.floor((time - time[0]) / interval_s)
    place = np.asarray(at, dtype=np.int64)
    return TimeGrid(interval_s, place, int(place[-1]) + 1)
