"""Whether sweeps of one connection agree, but for noise and settling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from harness.analysis.arrays import FloatArray
from harness.analysis.units import DB_PER_NEPER

WINDOW_POINTS = 9
FEWEST_FOR_NOISE = 12
"""Points of a band, from which on they show its noise."""
MEDIAN_OF_NORMAL = 0.6745
"""Of the absolute value, in standard deviations."""
NOISE_WITHIN = 6.0
"""Standard deviations of noise that explain the largest change of all windows and sweeps."""


@dataclass(frozen=True)
class Change:
    """The largest change between sweeps of one connection, beyond what noise explains."""

    change_db: float
    """Between neighbouring sweeps, averaged over a few points to take noise out."""
    explained_db: float
    """What noise, and whatever else was allowed, explains of it at most."""
    point: int
    sweep: int
    """The first of the two."""

    @property
    def is_explained(self) -> bool:
        """Whether the sweeps agree."""
        return self.change_db <= self.explained_db


def largest_change(levels_db: FloatArray, floor_db: float, allowed_db: float) -> Change:
    """How much sweeps (N, P) of one connection, in dB, change beyond noise; N is 2 at least.

    What an instrument or a contact does to the level changes neighbouring points alike; noise
    does not. Changes are averaged over windows of points, and compared with `allowed_db` and the
    noise that is left in a window: the larger of what the second differences over the points show
    (common practice, no source) and of what a receiver has near its floor (`floor_db`), where a
    reading r above a floor f scatters by f / (r sqrt 2) in neper.
    """
    steps_db = np.diff(levels_db, axis=0)
    points = steps_db.shape[1]
    width = min(WINDOW_POINTS, points)
    smooth_db = np.abs(sliding_window_view(steps_db, width, axis=1).mean(axis=-1))
    noise_db = np.zeros(len(steps_db))
    if points >= FEWEST_FOR_NOISE:
        bend_db = np.abs(np.diff(steps_db, n=2, axis=1))
        noise_db = np.median(bend_db, axis=1) / (MEDIAN_OF_NORMAL * np.sqrt(6.0))
    above_db = np.maximum(np.minimum(levels_db[1:], levels_db[:-1]) - floor_db, 0.0)
    # of the difference of two readings
    at_floor_db = DB_PER_NEPER * 10.0 ** (-above_db / 20.0)
    of_floor_db = sliding_window_view(at_floor_db, width, axis=1).max(axis=-1)
    largest_noise_db = np.maximum(noise_db[:, np.newaxis], of_floor_db) / np.sqrt(width)
    explained_db = allowed_db + NOISE_WITHIN * largest_noise_db
    sweep, start = np.unravel_index(np.argmax(smooth_db - explained_db), smooth_db.shape)
    return Change(
        float(smooth_db[sweep, start]),
        float(explained_db[sweep, start]),
        int(start) + width // 2,
        int(sweep),
    )
