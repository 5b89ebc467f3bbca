"""Sweeps that stand out of a series, and steps in it: found with a stated rate of false alarms.

Nothing is removed here. Both are judged by scales that come from the series itself and that
single sweeps out of line do not move, so that slow changes raise no alarm.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from harness.analysis.arrays import FloatArray, IntArray

FALSE_ALARMS = 0.05
"""Chance that a series without any has one marked: for outliers, and again for steps."""
NEIGHBOURS = 2
"""Sweeps on either side that a sweep is compared with."""
NORMAL_MAD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation (textbook)."""
MAD_DOF = 0.37
"""Degrees of freedom of that estimate for each value: its asymptotic efficiency (textbook)."""
ROUNDING = 1e-9
"""Share of the greatest deviation below which the others are what arithmetic leaves over."""
SHORTEST_SIDE = 4
"""Sweeps on either side of the shortest step."""
WINDOWS_FOR_A_SCALE = 8
"""Windows side by side that the scale of a longer one rests on at least."""


@dataclass(frozen=True)
class Steps:
    """S steps of a series."""

    first: IntArray
    """(S,) the first sweep after each step."""
    size: FloatArray
    """(S,) mean after it less mean before it, in the unit of the series."""
    standard_uncertainty: FloatArray
    """(S,)"""


def robust_scale(values: FloatArray) -> float:
    """Standard deviation from the median absolute deviation; where half of the values agree,
    from the mean absolute one (textbook)."""
    off = np.abs(values - np.median(values))
    median = float(np.median(off))
    if median > ROUNDING * float(off.max()):
        return NORMAL_MAD * median
    return float(np.sqrt(np.pi / 2.0) * off.mean())


def outliers(values: FloatArray, insertion: IntArray) -> IntArray:
    """Indices of the sweeps further from the median of their neighbours than chance explains
    (after Hampel's identifier, 1974, from memory; here without the sweep itself, which would
    make the residuals anything but normal).

    The bound is that which the N residuals of a series without outliers exceed anywhere with a
    probability of 5 %: Student's t with the degrees of freedom that the scale rests on. A sweep
    beside a step stands out against one side only and is no outlier. The first and the last two
    sweeps of an insertion are not judged: on a slope they differ from their neighbours anyway.
    """
    reach = NEIGHBOURS
    parts = [part for part in insertion_parts(insertion) if part.stop - part.start > 2 * reach]
    if not parts:
        return np.empty(0, dtype=np.int64)
    places = np.concatenate([np.arange(part.start + reach, part.stop - reach) for part in parts])
    found = [_against_neighbours(values[part]) for part in parts]
    residual, nearer = (np.concatenate(column) for column in zip(*found, strict=True))
    bound = robust_scale(residual) * _bound(len(residual), len(residual))
    if bound == 0.0:
        return np.empty(0, dtype=np.int64)
    stands_out = (np.abs(residual) > bound) & (nearer * np.sign(residual) > bound / 2.0)
    return np.asarray(places[stands_out], dtype=np.int64)


def _against_neighbours(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Each of the values (N,), but for those at the ends, less the median of its neighbours on
    both sides, and what it is off that side which it is nearer to (0 where it lies between)."""
    reach = NEIGHBOURS
    window = np.lib.stride_tricks.sliding_window_view(values, 2 * reach + 1)
    before, here, after = window[:, :reach], window[:, reach], window[:, reach + 1 :]
    residual = here - np.median(np.concatenate([before, after], axis=1), axis=1)
    off = np.stack([here - np.median(before, axis=1), here - np.median(after, axis=1)])
    nearer = np.sign(off[0]) * np.abs(off).min(axis=0)
    return residual, np.where(off[0] * off[1] > 0.0, nearer, 0.0)


def insertion_parts(insertion: IntArray) -> list[slice]:
    """Where each run of sweeps with one insertion stands."""
    edges = np.flatnonzero(np.diff(insertion)) + 1
    bounds = [0, *edges.tolist(), len(insertion)]
    return [slice(first, last) for first, last in pairwise(bounds)]


def _bound(tests: float, values: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(max(MAD_DOF * values, 1.0), 1.0 - FALSE_ALARMS / (2.0 * max(tests, 1.0))))


def find_steps(values: FloatArray, insertion: IntArray) -> Steps:
    """Sudden lasting changes within an insertion (moving sums; Eichinger and Kirch, 2018, from
    memory).

    The means of w sweeps after and before each place are compared, for w that double. Their
    scale is the robust one of the same differences all along the series, so that a drift, or
    noise that wanders by as much in that time everywhere, makes no step. The bound is Student's
    t for the windows of all w together, with a false alarm in 5 % of series without a step.
    """
    total = np.concatenate([[0.0], np.cumsum(values - values.mean())])
    parts = insertion_parts(insertion)
    widths = []
    width = SHORTEST_SIDE
    while width * WINDOWS_FOR_A_SCALE <= len(values):
        widths.append(width)
        width *= 2
    tests = sum(2.0 * len(values) / w for w in widths)
    best = np.zeros(len(values))
    best_width = np.zeros(len(values), dtype=np.int64)
    scales: dict[int, float] = {}
    centres: dict[int, float] = {}
    for w in widths:
        change = _moving_change(total, parts, w)
        known = np.isfinite(change)
        independent = np.count_nonzero(known) / w
        if independent < WINDOWS_FOR_A_SCALE / 2.0:
            continue
        centres[w] = float(np.median(change[known]))
        scales[w] = robust_scale(change[known])
        if scales[w] == 0.0:
            continue
        height = np.abs(change - centres[w]) / (scales[w] * _bound(tests, independent))
        better = known & (height > best)
        best[better], best_width[better] = height[better], w
    first = _peaks(best, best_width)
    size = [_moving_change(total, parts, int(best_width[at]))[at] for at in first]
    return Steps(
        np.asarray(first, dtype=np.int64),
        np.asarray(size, dtype=np.float64),
        np.asarray([scales[int(best_width[at])] for at in first], dtype=np.float64),
    )


def _moving_change(total: FloatArray, parts: list[slice], width: int) -> FloatArray:
    """(N,) mean of `width` values from each place on less that before it; nan where an
    insertion begins or ends in between."""
    change = np.full(len(total) - 1, np.nan)
    for part in parts:
        middle = slice(part.start + width, part.stop - width + 1)
        if middle.stop <= middle.start:
            continue
        inner = total[middle]
        after = total[part.start + 2 * width : part.stop + 1] - inner
        before = inner - total[part.start : part.stop - 2 * width + 1]
        change[middle] = (after - before) / width
    return change


def _peaks(height: FloatArray, width: IntArray) -> list[int]:
    """Places above the bound that no higher one has within reach of its window."""
    found: list[int] = []
    above = np.flatnonzero(height > 1.0)
    for at in above[np.argsort(-height[above], kind="stable")]:
        reach = int(width[at])
        if all(abs(int(at) - other) >= max(reach, int(width[other])) for other in found):
            found.append(int(at))
        if len(found) >= 50:
            break
    return sorted(found)
