"""Whether a series settles in the beginning, and after what time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.stability.correlated_fit import Blocks, NoiseModels

LEAST_GAIN = 20.0
"""Twice the gain in logarithmic likelihood from which on an exponential approach is seen: 16
beyond what Akaike's criterion asks for its two unknowns. By simulation less than 2 % of series
without one gain as much, whatever their noise."""
TIME_CONSTANTS = 14
SHORTEST_IN_BLOCKS = 1.5
LONGEST_SHARE = 0.25
"""Longest time constant as a share of the series; longer ones look like a drift."""
SETTLED = 0.1
"""Share of the approach that may be left once it has settled."""


@dataclass(frozen=True)
class WarmUp:
    """An exponential approach from the first sweep on."""

    time_constant_s: float
    approach_db: float
    """How far the first sweep was from where the series settled."""
    settled_s: float
    """Time after the first sweep when what is left is below the standard deviation of one
    sweep, and below a tenth of the approach."""

    def column(self, time: FloatArray) -> FloatArray:
        """What is left at `time` after the first sweep, as a share of the approach."""
        return np.asarray(np.exp(-time / self.time_constant_s))


def find_warm_up(
    models: NoiseModels,
    blocks: Blocks,
    design: FloatArray,
    values: FloatArray,
    start: float,
    sweep_sd: float,
) -> WarmUp | None:
    """The approach that the block means `values` (B,) show beside `design` (B, K), or None."""
    since = blocks.time - start
    shortest = SHORTEST_IN_BLOCKS * float(np.median(np.diff(blocks.time)))
    longest = LONGEST_SHARE * float(since[-1])
    if longest <= shortest:
        return None
    constants = np.geomspace(shortest, longest, TIME_CONSTANTS)
    gain = models.gain(design, values, np.exp(-since[:, None] / constants))
    best = int(np.argmax(gain))
    if gain[best] < LEAST_GAIN:
        return None
    # a parabola through the best three of a geometric grid
    constant = float(constants[best])
    if 0 < best < TIME_CONSTANTS - 1:
        before, at, after = gain[best - 1 : best + 2]
        shift = 0.5 * (before - after) / (before - 2.0 * at + after)
        constant *= float((constants[1] / constants[0]) ** shift)
    column = np.exp(-since / constant)
    fitted = models.fit(np.column_stack([design, column]), values)
    approach = fitted.of(design.shape[1]).value
    left = min(sweep_sd, SETTLED * abs(approach))
    settled = constant * float(np.log(abs(approach) / left)) if left > 0.0 else float(since[-1])
    return WarmUp(constant, approach, min(settled, float(since[-1])))
