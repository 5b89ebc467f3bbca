"""A lot of items in one band: sorted, counted, what stands apart, and what drifts.

Everything works on arrays of one figure an item, at the frequency that decides, and stays within
milliseconds at ten thousand items.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray, IntArray
from harness.analysis.lots.outliers import Outliers, find_outliers
from harness.analysis.lots.shared_zeros import COMMON_CHECK, FEWEST_MEANS, share_zeros, subgroups
from harness.analysis.units import SECONDS_PER_HOUR

__all__ = ["Histogram", "LotBand", "LotDrift", "LotSummary", "Outliers", "Slope", "find_outliers"]

MOST_BINS = 60
CONFIDENCE = 0.95


@dataclass(frozen=True)
class LotBand:
    """One band of N items, in any order; nan where a figure is missing."""

    items: tuple[str, ...]
    """(N,) their ids."""
    time: FloatArray
    """(N,) Unix seconds."""
    loss_db: FloatArray
    """(N,) at the frequency that decides; so are the next four."""
    guard_band_db: FloatArray
    limit_db: FloatArray
    margin_db: FloatArray
    """(N,) limit minus loss."""
    expected_db: FloatArray
    zero_change_db: FloatArray
    """(N,) apparent loss of the through when it was checked last."""
    zero: FloatArray
    """(N,) tells the zeros apart that the items were measured against, such as its time; nan where
    nothing is known of that."""


@dataclass(frozen=True)
class Histogram:
    """Counts in bins of equal width."""

    edges: FloatArray
    """(B + 1,)"""
    counts: IntArray
    """(B,)"""


@dataclass(frozen=True)
class Slope:
    """A straight line through values over time, with its confidence limits."""

    per_hour: float
    low: float
    high: float
    over_whole: float
    """What it comes to from the first to the last value."""

    @property
    def is_significant(self) -> bool:
        """Whether the limits leave out that nothing drifts."""
        return self.low > 0.0 or self.high < 0.0


@dataclass(frozen=True)
class LotDrift:
    """How the losses move over the lot, how the zero moves, and whether they move together."""

    process: Slope | None
    """Of the losses; None: fewer than three, or all at one time."""
    zero: Slope | None
    sentence: str


@dataclass(frozen=True)
class LotSummary:
    """What a band of a lot comes to."""

    count: int
    inside_guard_band: int
    """Items whose margin lies within the guard band on either side of the limit."""
    outliers: Outliers
    drift: LotDrift


def summarize(band: LotBand, leave_out: IntArray | None = None) -> LotSummary:
    """All of the above for one band; `leave_out` are items that say nothing of a drift.

    Raises:
        ValueError: the arrays differ in length, or there are no items.
    """
    count = len(band.items)
    lengths = {len(getattr(band, name)) for name in band.__dataclass_fields__}
    if lengths != {count} or not count:
        raise ValueError(f"a lot needs as many figures as items; there are {sorted(lengths)}")
    with np.errstate(invalid="ignore"):
        near = np.abs(band.margin_db) < band.guard_band_db
    outliers = find_outliers(band.loss_db)
    return LotSummary(
        count=count,
        inside_guard_band=int(np.count_nonzero(near)),
        outliers=outliers,
        drift=drift(
            band.time,
            band.loss_db,
            band.zero_change_db,
            zero=band.zero,
            leave_out=outliers.index if leave_out is None else leave_out,
        ),
    )


def histogram(values: FloatArray, most_bins: int = MOST_BINS) -> Histogram:
    """Counts of values (N,) in bins whose width is 2 IQR / cbrt N; nan is left out.

    D. Freedman and P. Diaconis, Zeitschrift fuer Wahrscheinlichkeitstheorie 57 (1981) 453-476.
    A few values far away would make many empty bins, so there are at most `most_bins`; without
    an interquartile range there are about sqrt N.
    """
    x = np.asarray(values, dtype=np.float64)
    x = x[np.isfinite(x)]
    if not len(x):
        return Histogram(np.array([0.0, 1.0]), np.zeros(1, dtype=np.int64))
    low, high = float(x.min()), float(x.max())
    span = high - low
    if span <= 1e-12 * max(abs(low), abs(high)):
        half = max(0.5e-3, 1e-6 * abs(low))
        return Histogram(np.array([low - half, high + half]), np.array([len(x)]))
    lower, upper = np.quantile(x, [0.25, 0.75])
    width = 2.0 * float(upper - lower) / np.cbrt(len(x))
    bins = math.ceil(span / width) if width > span / most_bins else most_bins
    if upper == lower:
        bins = math.ceil(math.sqrt(len(x)))
    counts, edges = np.histogram(x, bins=min(max(bins, 1), most_bins))
    return Histogram(np.asarray(edges, dtype=np.float64), counts.astype(np.int64))


def slope(
    time: FloatArray, values: FloatArray, confidence: float = CONFIDENCE, widening: float = 1.0
) -> Slope | None:
    """Straight line by least squares through values (N,) over Unix time (N,), by the hour.

    The limits are Student's (JCGM 100:2008, H.3), for values that scatter independently; where
    they do not, `widening` times as wide. None
    where fewer than three values, or only one time, are known.
    """
    from scipy.special import stdtrit

    known = np.isfinite(time) & np.isfinite(values)
    hours = (np.asarray(time)[known] - np.mean(np.asarray(time)[known] if known.any() else 0.0)) / (
        SECONDS_PER_HOUR
    )
    y = np.asarray(values, dtype=np.float64)[known]
    spread = float(np.sum(hours**2))
    if len(y) < 3 or spread <= 0.0:
        return None
    centred = y - np.mean(y)
    b = float(np.sum(hours * centred) / spread)
    residual = centred - b * hours
    dof = len(y) - 2
    error = math.sqrt(float(np.sum(residual**2)) / dof / spread)
    half = float(stdtrit(dof, 0.5 + 0.5 * confidence)) * error * widening
    return Slope(b, b - half, b + half, b * float(hours.max() - hours.min()))


def drift(
    time: FloatArray,
    loss_db: FloatArray,
    zero_change_db: FloatArray,
    *,
    zero: FloatArray | None = None,
    leave_out: IntArray | None = None,
) -> LotDrift:
    """Drift of the losses (N,) against that of the zero (N,), without the items `leave_out`.

    Items that share a `zero` (N,) are one value each for the slope.

    The correlation has Fisher's limits (z = artanh r, standard error 1 / sqrt(N - 3)).
    """
    keep = np.ones(len(loss_db), dtype=np.bool_)
    if leave_out is not None:
        keep[leave_out] = False
    loss = np.where(keep, loss_db, np.nan)
    process, of_zero = slope(time, loss), slope(time, zero_change_db)
    means = None if zero is None or not share_zeros(zero) else subgroups(loss, zero, time)
    if means is not None and len(means.mean) >= FEWEST_MEANS:
        process = slope(means.time, means.mean, widening=COMMON_CHECK**0.5)
    r, low, high = _correlation(loss, np.asarray(zero_change_db, dtype=np.float64))
    return LotDrift(process, of_zero, _drift_sentence(process, of_zero, r, low, high))


def _correlation(first: FloatArray, second: FloatArray) -> tuple[float, float, float]:
    known = np.isfinite(first) & np.isfinite(second)
    x, y = first[known], second[known]
    nothing = (math.nan, math.nan, math.nan)
    if len(x) < 4:
        return nothing
    x, y = x - np.mean(x), y - np.mean(y)
    product = math.sqrt(float(np.sum(x * x))) * math.sqrt(float(np.sum(y * y)))
    scale = float(np.max(np.abs(first[known])) * np.max(np.abs(second[known])))
    if product <= 1e-14 * len(x) * scale or product == 0.0:
        return nothing
    r = float(np.clip(np.sum(x * y) / product, -1.0, 1.0))
    if abs(r) == 1.0:
        return r, r, r
    half = 1.959963984540054 / math.sqrt(len(x) - 3)
    return r, math.tanh(math.atanh(r) - half), math.tanh(math.atanh(r) + half)


def _drift_sentence(
    process: Slope | None, zero: Slope | None, r: float, low: float, high: float
) -> str:
    if process is None:
        return "Too few items, or no times, to tell whether the losses drift."
    said = (
        f"The losses drift by {process.over_whole:+.3f} dB over the lot"
        if process.is_significant
        else "The losses do not drift by more than chance explains"
    )
    if zero is None:
        return f"{said}; what the zero did is not known."
    said += (
        f"; the zero drifts by {zero.over_whole:+.3f} dB"
        if zero.is_significant
        else "; nor does the zero" if not process.is_significant else "; the zero does not"
    )  # fmt: skip
    if math.isnan(r):
        return f"{said}."
    alike = low > 0.0 or high < 0.0
    if not alike:
        return f"{said}. From item to item the two are not related."
    explained = f"{100 * r * r:.0f} % of the variance of the losses goes with the zero"
    if r * r < 0.25:
        return f"{said}. They are weakly related: {explained}."
    return (
        f"{said}. They go together: {explained}, so the bench moves, not the process: check the "
        "zero more often."
    )
