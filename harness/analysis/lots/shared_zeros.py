"""Charts of a lot whose items were measured against common zeros.

What a zero is off moves all of its items alike, and by its line to the next check in proportion to
the time. Such items are rational subgroups (W. A. Shewhart): their means are judged among
themselves, each item by what the others of its zero do. Neighbouring subgroups have a check in
common, so that their means go together: the run rules for neighbours, which hold for independent
points, say nothing of them, and their scatter is that of all means instead of the steps between.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from harness.analysis.arrays import FloatArray, IntArray
from harness.analysis.lots.control_charts import (
    FEWEST_TRUSTED,
    RUN_RULES,
    ChartPair,
    ControlChart,
    individuals_chart,
)

MEANS_OF_ZEROS = "means and scatter of items that share a zero"
WITHIN_ZEROS = "individuals and moving range, about the line of their zero"
FEWEST_MEANS = 3
"""Subgroups whose means can be charted."""
OUTSIDE = 0.0027
"""Probability of a point beyond the limits, of any chart: that of 3 sigma either way."""
COMMON_CHECK = 2.0
"""Most by which a common check makes the variance of a slope larger: 1 + 2 x 0.5, neighbouring
means having a correlation of 0.5 where the zero dominates."""


@dataclass(frozen=True)
class Subgroups:
    """N items by their zeros."""

    last: IntArray
    """(G,) index of the last item of each that has a value."""
    mean: FloatArray
    """(G,)"""
    time: FloatArray
    """(G,) mean Unix time."""
    scatter: FloatArray
    """(G,) standard deviation about a line in time; NaN with fewer than three values."""
    dof: IntArray
    """(G,) of that."""
    left: FloatArray
    """(N,) what the line leaves of each item."""


def share_zeros(zero: FloatArray) -> bool:
    """Whether some of N items have one zero; `zero` (N,) tells them apart, NaN where unknown."""
    known = zero[np.isfinite(zero)]
    return len(np.unique(known)) < len(known)


def subgroups(values: FloatArray, zero: FloatArray, time: FloatArray) -> Subgroups:
    """Items with a value (N,), in the order of time, by their zeros; one whose zero is not known
    is a subgroup of its own."""
    present = np.flatnonzero(np.isfinite(values))
    rows: dict[float, list[int]] = {}
    for index in present.tolist():
        key = float(zero[index]) if np.isfinite(zero[index]) else -1.0 - index
        rows.setdefault(key, []).append(index)
    places = sorted(rows.values(), key=lambda place: place[-1])
    left = np.full(len(values), np.nan)
    scatters, dofs = [], []
    for place in places:
        dof, since = len(place) - 2, time[place] - np.mean(time[place])
        spread = float(np.sum(np.square(since)))
        own = values[place] - np.mean(values[place])
        if dof > 0 and spread > 0.0:
            own = own - since * float(np.sum(since * own) / spread)
        left[place] = own
        scatters.append(float(np.sqrt(np.sum(np.square(own)) / dof)) if dof > 0 else np.nan)
        dofs.append(max(dof, 0))
    return Subgroups(
        last=np.array([place[-1] for place in places], dtype=np.int64),
        mean=np.array([np.mean(values[place]) for place in places]),
        time=np.array([np.mean(time[place]) for place in places]),
        scatter=np.array(scatters),
        dof=np.array(dofs, dtype=np.int64),
        left=left,
    )


def shared_zeros_chart(values: FloatArray, zero: FloatArray, time: FloatArray) -> ChartPair | None:
    """Chart of the means of subgroups, and of the scatter within them.

    All are (N,), in the order of time; a point stands at the last item of its subgroup. Rule 1
    only, with the limits of the scatter by chi-square. With too few zeros it is a chart of the
    single items instead, each by what is left of it about the line of its zero; None where no two
    neighbours are known.
    """
    found = subgroups(values, zero, time)
    if len(found.mean) < FEWEST_MEANS:
        left = found.left + np.nanmean(values) if len(found.mean) else found.left
        known = np.isfinite(left)
        if not np.any(known[1:] & known[:-1]):
            return None
        return replace(individuals_chart(left), kind=WITHIN_ZEROS)
    centre, sd = float(np.mean(found.mean)), float(np.std(found.mean, ddof=1))
    with_scatter = found.dof > 0
    dof = found.dof[with_scatter]
    scatter = found.scatter[with_scatter]
    sigma = float(np.sqrt(np.sum(dof * np.square(scatter)) / dof.sum())) if len(dof) else 0.0
    return ChartPair(
        location=_chart(len(values), found.last, found.mean, centre, centre - 3 * sd,
                        centre + 3 * sd),
        spread=_chart(len(values), found.last[with_scatter], scatter, sigma,
                      *_scatter_limits(sigma, dof)),
        sigma=sigma,
        kind=MEANS_OF_ZEROS,
        notes=_notes(len(found.mean)),
    )  # fmt: skip


def _scatter_limits(sigma: float, dof: IntArray) -> tuple[FloatArray, FloatArray]:
    from scipy.special import chdtri

    lower, upper = (
        sigma * np.sqrt(chdtri(dof, share) / dof) for share in (1.0 - OUTSIDE / 2.0, OUTSIDE / 2.0)
    )
    return np.asarray(lower), np.asarray(upper)


def _chart(
    count: int,
    place: IntArray,
    values: FloatArray,
    centre: float,
    lower: FloatArray | float,
    upper: FloatArray | float,
) -> ControlChart:
    """Points at their places among all items; between them nothing but the limits."""
    points = np.full(count, np.nan)
    points[place] = values
    # those of the subgroup that an item belongs to
    of_item = np.minimum(np.searchsorted(place, np.arange(count)), max(len(place) - 1, 0))

    def limits(of: FloatArray | float) -> FloatArray:
        each = np.broadcast_to(np.asarray(of, dtype=np.float64), place.shape)
        return each[of_item] if len(place) else np.full(count, np.nan)

    low, high = limits(lower), limits(upper)
    with np.errstate(invalid="ignore"):
        beyond = (points < low) | (points > high)
    return ControlChart(points, np.full(count, centre), low, high, {RUN_RULES[0].name: beyond})


def _notes(count: int) -> tuple[str, ...]:
    said: tuple[str, ...] = (
        "Items that share a zero move together: their means are judged, and what is left within "
        "each zero.",
    )
    if count < FEWEST_TRUSTED:
        said += (f"Limits from {count} zeros are still rough; {FEWEST_TRUSTED} or more are usual.",)
    return said
