"""What the first rules say otherwise: only for runs that were begun under them.

Nothing here is mended; what was said of a run stays said. What is wrong with each stands beside
it, and the rule of today where it is called.
"""

from __future__ import annotations

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.loss.loss import InsertionLosses
from harness.analysis.loss.reduction import LossStatistics
from harness.analysis.uncertainty.budget import Contribution

RMS_WITHIN = 2.0
"""Standard deviations of the makings that explained an rms over the band, however few degrees of
freedom these had: one honest run in eight was marked."""
NO_NOISE_LEFT = 1e-12
"""Shares of a sweep's variance below it are rounding."""


def smooth_departure_s(losses: InsertionLosses) -> FloatArray:
    """How far the zero may be off its line at each insertion for a rate of 1 dB/s, (I,).

    Between two checks T apart the departure was taken as the parabola D 4 s (1 - s), s from 0 to
    1, with |D| <= r T / 4; a zero that turns round at its full rate goes further.
    """
    time, checks = losses.time, losses.check_time
    beyond_s = np.maximum(np.maximum(checks[0] - time, time - checks[-1]), 0.0)
    if len(checks) == 1:
        return np.asarray(beyond_s)
    gap = np.clip(np.searchsorted(checks, time) - 1, 0, len(checks) - 2)
    length_s = checks[gap + 1] - checks[gap]
    share = np.clip((time - checks[gap]) / length_s, 0.0, 1.0)
    return np.asarray(beyond_s + length_s * share * (1.0 - share))


def common_noise_lines(
    found: LossStatistics, item_noise_share: float, through_noise_share: float
) -> list[Contribution]:
    """One noise for item and through, from whichever had more sweeps: too much for the through of
    an item that loses much."""
    insertions, makings = found.insertions, found.makings
    best = max(insertions, makings, key=lambda scatter: scatter.within_dof)
    squares = np.square(found.losses.reference_weights)
    of_item = max(insertions.mean_share - item_noise_share, 0.0) / insertions.groups
    of_through = np.sum(squares / makings.sizes) - np.sum(squares) * through_noise_share
    factor = of_item + max(float(of_through), 0.0)
    if factor <= NO_NOISE_LEFT:
        return []
    u_db = best.within_db * np.sqrt(factor)
    source = "scatter of single sweeps within one connection (GUM 4.2)"
    return [Contribution("noise", "A", "normal", u_db, float(best.within_dof), source)]
