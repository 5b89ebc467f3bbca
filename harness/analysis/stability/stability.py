"""How stable the loss of an item was over a long run, band by band.

What a sweep says is the mean loss over the band, against the reference at that time. Marked
sweeps (outliers) are left out of drift, temperature coefficient and warm-up; they stay in the
Allan deviation and in the repeatability. Steps stay in everything.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import BoolArray, FloatArray, IntArray
from harness.analysis.stability.allan import AllanTable, allan_table
from harness.analysis.stability.correlated_fit import Blocks, Estimate, NoiseModels, make_blocks
from harness.analysis.stability.loss_series import LossSeries
from harness.analysis.stability.outliers_and_steps import Steps, find_steps, outliers
from harness.analysis.stability.scatter_in_time import by_span, residuals_about_trend, rms
from harness.analysis.stability.settling import WarmUp, find_warm_up
from harness.analysis.stability.time_grid import time_grid
from harness.analysis.units import SECONDS_PER_HOUR

FEWEST_SWEEPS = 16
"""Sweeps within one insertion from which on stability is spoken of."""
SMALLEST_SWING_K = 0.2
"""Change of temperature below which nothing is said of its effect."""
THE_SAME = 0.9999
"""Correlation from which on there is nothing to be fitted."""
CANNOT_TELL = 0.95
"""Correlation of temperature with time from which on their effects are not told apart."""


@dataclass(frozen=True)
class TemperatureEffect:
    """What the temperature does to the loss, fitted together with the drift."""

    coefficient_db_per_k: Estimate
    relative_per_k: Estimate | None
    """Of the loss; None where that is not clearly above zero."""
    drift_db_per_h: Estimate
    """What drift is left beside it."""
    mean_c: float
    lowest_c: float
    highest_c: float
    correlation_with_time: float
    is_told_apart: bool
    """Whether temperature and time went different ways, so that both figures mean something."""


@dataclass(frozen=True)
class ZeroMeanwhile:
    """What the zero did while the item was swept."""

    time: FloatArray
    """(M,) Unix time of each making of the through."""
    change_db: FloatArray
    """(M,) its change since the first, mean over the band."""
    apparent_change_db: float
    """Change of the item from beginning to end (straight line) against the first zero alone."""
    remaining_change_db: float
    """The same against the zero at the time."""
    explained_share: float
    """Share of the variance of the item's slow changes that goes away with the correction; below
    0 where the correction added to them. nan without a later check of the zero."""


@dataclass(frozen=True)
class Stability:
    """Stability of one band. N sweeps, H spans of time, M makings of the through."""

    sweeps: int
    begin: float
    """Unix time of the first sweep."""
    end: float
    interval_s: float
    """Of the grid that the sweeps stand on."""
    missing: int
    """Places of that grid without a sweep."""
    insertions: int
    mean_db: float
    drift_db_per_h: Estimate
    """Of the loss as it is, whatever the temperature did."""
    repeatability_db: float
    """Standard deviation of one sweep about the running mean."""
    span_time: FloatArray
    """(H,) middle of each span, Unix s."""
    span_repeatability_db: FloatArray
    """(H,) the same in that span; nan where nothing was swept."""
    allan: AllanTable
    """Deviation in dB."""
    temperature: TemperatureEffect | None
    """None without a sensor, or where the temperature hardly moved."""
    warm_up: WarmUp | None
    """None where none is seen."""
    outliers: IntArray
    """(O,) indices of the marked sweeps."""
    steps: Steps
    zero: ZeroMeanwhile
    notes: tuple[str, ...] = ()
    """What the reader must know of these figures."""


def stability_of(
    series: LossSeries | None, zero_time: FloatArray, zero_change_db: FloatArray
) -> Stability | None:
    """Stability of a band; None with fewer than 16 sweeps within one insertion.

    The zero as it was at each of M makings of the through: Unix times (M,), and its changes
    (M, P) at the P frequencies of the band.
    """
    if series is None or not len(series.time):
        return None
    _, per_insertion = np.unique(series.insertion, return_counts=True)
    if per_insertion.max() < FEWEST_SWEEPS or series.time[-1] <= series.time[0]:
        return None
    notes: list[str] = []
    time, loss_db = series.time, series.loss_db
    grid = time_grid(time)
    marked = outliers(loss_db, series.insertion)
    weighs = np.ones(len(time), dtype=np.bool_)
    weighs[marked] = False
    blocks = make_blocks(time, series.insertion, weighs)
    models = NoiseModels(blocks)
    residual = residuals_about_trend(loss_db, series.insertion)
    repeatability_db = rms(residual)
    values = blocks.means(loss_db)
    design = _line(blocks)
    warm_up = find_warm_up(models, blocks, design, values, float(time[0]), repeatability_db)
    if warm_up is not None:
        design = np.column_stack([design, warm_up.column(blocks.time - time[0])])
    settling_db = 0.0 if warm_up is None else warm_up.approach_db * warm_up.column(time - time[0])
    steps = find_steps(_without(loss_db - settling_db, marked), series.insertion)
    drift = models.fit(design, values).of(1)
    temperature = _temperature(series, weighs, (blocks, models), warm_up, notes)
    span_time, spans_db = by_span(time, residual)
    _remark(notes, series, marked, steps, warm_up, grid.missing)
    return Stability(
        sweeps=len(time),
        begin=float(time[0]),
        end=float(time[-1]),
        interval_s=grid.interval_s,
        missing=grid.missing,
        insertions=len(per_insertion),
        mean_db=float(np.mean(loss_db[weighs])),
        drift_db_per_h=drift,
        repeatability_db=repeatability_db,
        span_time=span_time,
        span_repeatability_db=spans_db,
        allan=allan_table(grid.means(loss_db), grid.interval_s),
        temperature=temperature,
        warm_up=warm_up,
        outliers=marked,
        steps=steps,
        zero=_zero(series, zero_time, zero_change_db, blocks),
        notes=tuple(notes),
    )


def _line(blocks: Blocks) -> FloatArray:
    """(B, 2) of 1 and hours from the middle."""
    hours = (blocks.time - blocks.time.mean()) / SECONDS_PER_HOUR
    return np.column_stack([np.ones(len(hours)), hours])


def _without(values: FloatArray, marked: IntArray) -> FloatArray:
    """The same with each marked value replaced by its nearest neighbours' line."""
    if not len(marked):
        return values
    good = np.setdiff1d(np.arange(len(values)), marked, assume_unique=True)
    bridged = values.copy()
    bridged[marked] = np.interp(marked, good, values[good])
    return bridged


def _temperature(
    series: LossSeries,
    weighs: BoolArray,
    noise: tuple[Blocks, NoiseModels],
    warm_up: WarmUp | None,
    notes: list[str],
) -> TemperatureEffect | None:
    if series.temperature_c is None:
        return None
    known = np.isfinite(series.temperature_c)
    usable = np.asarray(weighs & known)
    if np.count_nonzero(usable) < FEWEST_SWEEPS:
        notes.append("The temperature is known for too few sweeps to tell what it does.")
        return None
    lowest, highest = np.quantile(series.temperature_c[usable], (0.01, 0.99))
    if highest - lowest < SMALLEST_SWING_K:
        notes.append(
            f"The temperature moved by {highest - lowest:.2g} K only: nothing is said of what it "
            "does to the loss."
        )
        return None
    blocks, models = noise
    if not np.array_equal(usable, weighs):
        blocks = make_blocks(series.time, series.insertion, usable)
        models = NoiseModels(blocks)
        notes.append(
            f"The temperature is not known for {np.count_nonzero(~known)} sweeps; they are left "
            "out of its coefficient."
        )
    kelvin = blocks.means(np.where(known, series.temperature_c, 0.0))
    mean_c = float(kelvin.mean())
    design = np.column_stack([_line(blocks), kelvin - mean_c])
    if warm_up is not None:
        design = np.column_stack([design, warm_up.column(blocks.time - series.time[0])])
    correlation = float(np.corrcoef(design[:, 1], design[:, 2])[0, 1])
    if abs(correlation) > THE_SAME:
        notes.append(
            "The temperature rose or fell in a straight line: what it does to the loss cannot be "
            "told from drift, and no coefficient is stated."
        )
        return None
    fitted = models.fit(design, blocks.means(series.loss_db))
    coefficient = fitted.of(2)
    told_apart = abs(correlation) < CANNOT_TELL
    if not told_apart:
        notes.append(
            f"Temperature and time rose and fell together (correlation {correlation:.3f}): drift "
            "and temperature coefficient cannot be told apart, and their intervals are as wide as "
            "that makes them."
        )
    mean_db = float(np.mean(series.loss_db[usable]))
    is_clear = mean_db > 3.0 * float(np.std(series.loss_db[usable]))
    return TemperatureEffect(
        coefficient_db_per_k=coefficient,
        relative_per_k=coefficient.times(1.0 / mean_db) if is_clear else None,
        drift_db_per_h=fitted.of(1),
        mean_c=mean_c,
        lowest_c=float(np.min(series.temperature_c[usable])),
        highest_c=float(np.max(series.temperature_c[usable])),
        correlation_with_time=correlation,
        is_told_apart=told_apart,
    )


def _zero(
    series: LossSeries, zero_time: FloatArray, zero_change_db: FloatArray, blocks: Blocks
) -> ZeroMeanwhile:
    corrected, plain = blocks.means(series.loss_db), blocks.means(series.uncorrected_db)
    hours = _line(blocks)[:, 1]
    length = (series.time[-1] - series.time[0]) / SECONDS_PER_HOUR
    lean = length / float(hours @ hours)
    square = float(np.sum((plain - plain.mean()) ** 2))
    left = float(np.sum((corrected - corrected.mean()) ** 2))
    checked_later = len(zero_time) > 1 and square > 0.0
    return ZeroMeanwhile(
        time=zero_time,
        change_db=np.asarray(zero_change_db.mean(axis=1)),
        apparent_change_db=float(hours @ plain * lean),
        remaining_change_db=float(hours @ corrected * lean),
        explained_share=1.0 - left / square if checked_later else float("nan"),
    )


def _remark(
    notes: list[str],
    series: LossSeries,
    marked: IntArray,
    steps: Steps,
    warm_up: WarmUp | None,
    missing: int,
) -> None:
    if series.insertion.min() != series.insertion.max():
        notes.append(
            "The item was connected anew in between: what that changes is in the Allan deviation, "
            "and in the interval of the drift as an offset of each insertion."
        )
    if len(marked):
        notes.append(
            f"{len(marked)} {'sweep stands' if len(marked) == 1 else 'sweeps stand'} out and "
            f"{'is' if len(marked) == 1 else 'are'} marked: left out of drift, temperature "
            "coefficient and warm-up, kept in everything else."
        )
    if len(steps.first):
        notes.append(
            f"{len(steps.first)} {'step is' if len(steps.first) == 1 else 'steps are'} marked and "
            "kept: the drift, whose interval knows of no steps, is the straight line through them."
        )
    if warm_up is not None:
        notes.append("The loss settles in the beginning; drift is what there is beside that.")
    if missing:
        notes.append(
            f"{missing} places of the schedule have no sweep. The Allan deviation only uses "
            "averages without a gap."
        )
