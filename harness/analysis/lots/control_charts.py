"""Control charts: individuals with moving ranges, means with ranges, and the run rules.

Limits are three standard deviations of what is plotted, from the short-term scatter alone
(W. A. Shewhart; Statistical Quality Control Handbook, Western Electric, 1956, from memory).
The constants are computed, not tabled, so that any size from 2 to 25 has all its digits.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from harness.analysis.arrays import FloatArray

BoolArray = NDArray[np.bool_]

LARGEST_SUBGROUP = 25
FEWEST_TRUSTED = 20
"""Points from which limits are usually trusted (20 to 25; common practice)."""
_SAME = 1e-9
"""Scatter below this part of the values themselves is rounding."""


@dataclass(frozen=True)
class ChartConstants:
    """Factors for subgroups of one size from a normal distribution."""

    size: int
    d2: float
    """Mean range over the standard deviation."""
    d3: float
    """Standard deviation of the range over that of one value."""
    D3: float
    """Lower limit of the range: 1 - 3 d3 / d2 mean ranges, not below 0."""
    D4: float
    """Upper limit of the range: 1 + 3 d3 / d2 mean ranges."""


@dataclass(frozen=True)
class RunRule:
    """A pattern that a process in control rarely shows."""

    name: str
    text: str
    false_alarm: float
    """Probability that it is completed at a given point of a normal process in control."""


RUN_RULES = (
    RunRule("beyond 3 sigma", "one point beyond 3 sigma", 0.0027),
    RunRule(
        "2 of 3 beyond 2 sigma",
        "two of three successive points beyond 2 sigma on one side",
        0.0020,
    ),
    RunRule(
        "4 of 5 beyond 1 sigma",
        "four of five successive points beyond 1 sigma on one side",
        0.0045,
    ),
    RunRule(
        "8 on one side", "eight successive points on one side of the centre line", 0.0078
    ),
)  # fmt: skip
"""Western Electric rules 1 to 4 (Statistical Quality Control Handbook, 1956, from memory).

A pattern is marked at the point that completes it, which is itself beyond the line. Together
they raise an alarm after 92 points in control on average (C. W. Champ and W. H. Woodall,
Technometrics 29 (1987) 393-399: 91.75, from memory), rule 1 alone after 370.
"""


@dataclass(frozen=True)
class ControlChart:
    """N points in order of time, their limits, and which complete a pattern."""

    values: FloatArray
    """(N,) nan where there is none."""
    centre: FloatArray
    """(N,) constant but for ranges of unequal subgroups."""
    lower: FloatArray
    """(N,) lower control limit; nan where there is none."""
    upper: FloatArray
    """(N,)"""
    signals: dict[str, BoolArray]
    """By the rule's name: (N,) True at the point that completes the pattern."""

    @property
    def signalled(self) -> BoolArray:
        """(N,) whether any rule is broken at the point."""
        return np.asarray(np.logical_or.reduce(list(self.signals.values())), dtype=np.bool_)


@dataclass(frozen=True)
class ChartPair:
    """A chart of level and a chart of scatter."""

    location: ControlChart
    """Single values, or means of subgroups; all rules."""
    spread: ControlChart
    """Moving ranges (the first is nan), or ranges; rule 1 only."""
    sigma: float
    """Short-term standard deviation of one value."""
    kind: str
    notes: tuple[str, ...] = ()


@cache
def chart_constants(size: int) -> ChartConstants:
    """The constants of subgroups of `size`.

    The range W of n normal values has P(W <= w) = n int phi(x) [Phi(x + w) - Phi(x)]^(n-1) dx,
    and its moments are E W = int (1 - P) dw, E W^2 = 2 int w (1 - P) dw (H. O. Hartley,
    Biometrika 32 (1942) 334-348).

    Raises:
        ValueError: the size is not from 2 to 25.
    """
    from scipy.special import ndtr

    if not 2 <= size <= LARGEST_SUBGROUP:
        raise ValueError(f"subgroups have 2 to {LARGEST_SUBGROUP} values, not {size}")
    x = np.linspace(-10.0, 10.0, 401)
    density = np.exp(-0.5 * x**2) / np.sqrt(2.0 * np.pi) * (x[1] - x[0])
    nodes, weights = np.polynomial.legendre.leggauss(80)
    width = 0.5 * 14.0 * (nodes + 1.0)
    inside = ndtr(x[None, :] + width[:, None]) - ndtr(x)[None, :]
    beyond = (1.0 - size * (inside ** (size - 1)) @ density) * weights * 0.5 * 14.0
    d2 = float(np.sum(beyond))
    d3 = float(np.sqrt(2.0 * np.sum(width * beyond) - d2**2))
    return ChartConstants(
        size=size,
        d2=d2,
        d3=d3,
        D3=max(0.0, 1.0 - 3.0 * d3 / d2),
        D4=1.0 + 3.0 * d3 / d2,
    )


def individuals_chart(values: FloatArray) -> ChartPair:
    """Chart of single values (N,) in order of time, and of the ranges between neighbours.

    A missing value (nan) has no range to either neighbour; the rules pass over it.

    Raises:
        ValueError: there are no two neighbouring values.
    """
    points = _finite_or_nan(values)
    ranges = np.concatenate([[np.nan], np.abs(np.diff(points))])
    if not np.any(np.isfinite(ranges)):
        raise ValueError("a chart needs at least two neighbouring values")
    constants = chart_constants(2)
    mean_range = _scatter(float(np.nanmean(ranges)), points)
    centre = float(np.nanmean(points))
    sigma = mean_range / constants.d2
    return ChartPair(
        location=_location_chart(points, centre, np.full(len(points), sigma)),
        spread=_spread_chart(
            ranges,
            np.full(len(points), mean_range),
            np.full(len(points), constants.D3 * mean_range),
            np.full(len(points), constants.D4 * mean_range),
        ),
        sigma=sigma,
        kind="individuals and moving range",
        notes=_notes(sigma, int(np.count_nonzero(np.isfinite(points)))),
    )


def means_and_ranges_chart(subgroups: FloatArray) -> ChartPair:
    """Chart of the means and of the ranges of subgroups (G, n) in order of time.

    Missing values are nan, so that subgroups may be unequal; the scatter of one value is then
    the mean of range / d2 over the subgroups, and each has its own limits. A subgroup of one
    value has a mean but no range.

    Raises:
        ValueError: no subgroup has two values, or one has more than 25.
    """
    values = _finite_or_nan(subgroups)
    if values.ndim != 2:
        raise ValueError("subgroups are the rows of a table")
    present = np.isfinite(values)
    sizes = present.sum(axis=1)
    if not np.any(sizes >= 2):
        raise ValueError("a chart of ranges needs a subgroup of at least two values")
    constants = {int(size): chart_constants(int(size)) for size in np.unique(sizes) if size > 1}
    d2 = np.array([constants[n].d2 if n in constants else np.nan for n in sizes.tolist()])
    lower = np.array([constants[n].D3 if n in constants else np.nan for n in sizes.tolist()])
    upper = np.array([constants[n].D4 if n in constants else np.nan for n in sizes.tolist()])
    highest = np.max(np.where(present, values, -np.inf), axis=1)
    lowest = np.min(np.where(present, values, np.inf), axis=1)
    ranges = np.where(sizes >= 2, highest - lowest, np.nan)
    means = np.full(len(values), np.nan)
    filled = sizes > 0
    means[filled] = np.where(present, values, 0.0)[filled].sum(axis=1) / sizes[filled]
    sigma = _scatter(float(np.nanmean(ranges / d2)), values)
    centre = float(np.nanmean(values))
    expected = d2 * sigma
    with np.errstate(divide="ignore"):
        of_means = np.where(filled, sigma / np.sqrt(sizes), np.nan)
    return ChartPair(
        location=_location_chart(means, centre, of_means),
        spread=_spread_chart(ranges, expected, lower * expected, upper * expected),
        sigma=sigma,
        kind="X-bar and R",
        notes=_notes(sigma, int(np.count_nonzero(sizes >= 2))),
    )


def run_signals(standardized: FloatArray) -> dict[str, BoolArray]:
    """Which points (N,) complete a pattern; values in sigma from the centre, nan passed over."""
    z = np.asarray(standardized, dtype=np.float64)
    present = np.isfinite(z)
    dense = z[present]
    signals = {}
    for rule, found in zip(
        RUN_RULES,
        (
            np.abs(dense) > 3.0,
            _completed(dense > 2.0, 2, 3) | _completed(dense < -2.0, 2, 3),
            _completed(dense > 1.0, 4, 5) | _completed(dense < -1.0, 4, 5),
            _completed(dense > 0.0, 8, 8) | _completed(dense < 0.0, 8, 8),
        ),
        strict=True,
    ):
        marks = np.zeros(len(z), dtype=np.bool_)
        marks[present] = found
        signals[rule.name] = marks
    return signals


def signal_runs(chart: ControlChart) -> list[tuple[str, int]]:
    """The text of each rule that is broken, with the number of points that complete it."""
    texts = {rule.name: rule.text for rule in RUN_RULES}
    return [(texts[name], int(marks.sum())) for name, marks in chart.signals.items() if marks.any()]


def _completed(beyond: BoolArray, count: int, window: int) -> BoolArray:
    """Where a point beyond makes at least `count` of the last `window` points."""
    total = np.concatenate([[0], np.cumsum(beyond)])
    ends = np.arange(1, len(beyond) + 1)
    within = total[ends] - total[np.maximum(ends - window, 0)]
    return np.asarray(beyond & (within >= count))


def _location_chart(points: FloatArray, centre: float, sigma: FloatArray) -> ControlChart:
    with np.errstate(divide="ignore", invalid="ignore"):
        # without scatter nothing is beyond a line
        z = np.where(sigma > 0.0, (points - centre) / sigma, 0.0)
    z = np.where(np.isfinite(points), z, np.nan)
    return ControlChart(
        values=points,
        centre=np.full(len(points), centre),
        lower=centre - 3.0 * sigma,
        upper=centre + 3.0 * sigma,
        signals=run_signals(z),
    )


def _spread_chart(
    ranges: FloatArray, centre: FloatArray, lower: FloatArray, upper: FloatArray
) -> ControlChart:
    with np.errstate(invalid="ignore"):
        beyond = np.isfinite(ranges) & (centre > 0.0) & ((ranges > upper) | (ranges < lower))
    return ControlChart(ranges, centre, lower, upper, {RUN_RULES[0].name: beyond})


def _scatter(estimate: float, values: FloatArray) -> float:
    return estimate if estimate > _SAME * float(np.nanmax(np.abs(values))) else 0.0


def _finite_or_nan(values: FloatArray) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    return np.where(np.isfinite(array), array, np.nan)


def _notes(sigma: float, count: int) -> tuple[str, ...]:
    notes = []
    if sigma == 0.0:
        notes.append("Neighbouring values are all alike, so there is no scatter to judge by.")
    if count < FEWEST_TRUSTED:
        notes.append(
            f"Limits from {count} points are still rough; {FEWEST_TRUSTED} or more are usual."
        )
    return tuple(notes)
