"""The readings of a band reduced to what the analysis needs, in one pass and in flat memory."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import ComplexArray, FloatArray, IntArray
from harness.analysis.loss.band import BandBlocks, BandReadings
from harness.analysis.loss.grouped import GroupedMeans, GroupedScatter
from harness.analysis.loss.loss import (
    InsertionLosses,
    ReferenceLine,
    checks_of,
    group_means,
    level_db,
    reference_line,
    require_rising,
)
from harness.analysis.loss.repeatability import Repeatability, anova_of
from harness.analysis.stability.loss_series import LossSeries

TEMPERATURE_HOLDS_S = 600.0
"""How far in time a reading of the temperature is taken to tell of a sweep (common practice, no
source)."""


@dataclass(frozen=True)
class LossStatistics:
    """What the readings of a band show, before anything is concluded."""

    losses: InsertionLosses
    insertions: Repeatability
    """Of the sweeps of the item, by insertion."""
    makings: Repeatability
    """Of the sweeps of the through, by making."""


@dataclass(frozen=True)
class ReducedBand:
    """What is kept of the readings of a band. P frequencies, S traces, I insertions; see
    `BandMeans` for what the means are of."""

    frequency_hz: FloatArray
    traces: tuple[str, ...]
    transmission: int
    is_scalar: bool
    through_mean: ComplexArray
    opening_mean: ComplexArray
    item_mean: ComplexArray
    item_transmission: ComplexArray
    found: LossStatistics
    series: LossSeries | None

    def trace(self, name: str) -> int | None:
        """Row of a trace, or None where it was not measured."""
        return self.traces.index(name) if name in self.traces else None


def reduced(readings: BandReadings | BandBlocks) -> ReducedBand:
    """Losses, scatters and means of a band; agrees with the formulas on whole arrays to rounding.

    Raises:
        ValueError: there is no sweep of the through, or none of the item, or time ran
            backwards between two checks of the zero.
    """
    band = readings.blocks if isinstance(readings, BandReadings) else readings
    if not len(band.normalization_time):
        raise ValueError("there is no sweep of the through to measure against")
    if not len(band.insertion_time):
        raise ValueError("there is no sweep of the item")
    row, width = band.transmission, len(band.frequency_hz)
    _, making = np.unique(band.normalization_making, return_inverse=True)
    makings = GroupedScatter(int(making.max()) + 1, width)
    through = GroupedMeans(len(makings.sizes))
    for rows, block in numbered(band.normalization):
        makings.add(level_db(block[:, row]), making[rows])
        through.add(block, making[rows])
    zero = _ZeroMeans.of(band, makings.means)
    _, insertion = np.unique(band.insertion, return_inverse=True)
    insertions = GroupedScatter(int(insertion.max()) + 1, width)
    transmission = GroupedMeans(len(insertions.sizes))
    item = GroupedMeans(1)
    series_db = np.empty((2, len(band.insertion_time)))
    for rows, block in numbered(band.insertions):
        level = level_db(block[:, row])
        reference_db = zero.line.at(rows, zero.check_db)
        insertions.add(reference_db - level, insertion[rows])
        transmission.add(block[:, row], insertion[rows])
        item.add(block, np.zeros(len(block), dtype=np.int64))
        band_mean_db = level.mean(axis=1)
        series_db[0, rows] = reference_db.mean(axis=1) - band_mean_db
        series_db[1, rows] = zero.check_db[0].mean() - band_mean_db
    sizes = through.sizes[:, None, None]
    return ReducedBand(
        frequency_hz=band.frequency_hz,
        traces=band.traces,
        transmission=row,
        is_scalar=band.is_scalar,
        through_mean=np.asarray(np.sum(through.means * sizes, axis=0) / np.sum(sizes)),
        opening_mean=through.means[0],
        item_mean=item.means[0],
        item_transmission=transmission.means,
        found=LossStatistics(
            zero.losses(insertions, band.insertion_time, insertion),
            anova_of(insertions),
            anova_of(makings),
        ),
        series=_series(band, series_db, insertion),
    )


@dataclass(frozen=True)
class _ZeroMeans:
    """What the through showed: M makings in C checks."""

    making_db: FloatArray
    making_time: FloatArray
    check: IntArray
    check_db: FloatArray
    check_time: FloatArray
    line: ReferenceLine

    @classmethod
    def of(cls, band: BandBlocks, making_db: FloatArray) -> _ZeroMeans:
        making_time = group_means(band.normalization_time, band.normalization_making)
        require_rising(making_time)
        check = checks_of(making_time, band.insertion_time)
        check_db, check_time = group_means(making_db, check), group_means(making_time, check)
        line = reference_line(check_time, band.insertion_time)
        return cls(making_db, making_time, check, check_db, check_time, line)

    def losses(
        self, insertions: GroupedScatter, item_time: FloatArray, insertion: IntArray
    ) -> InsertionLosses:
        sizes = insertions.sizes
        weight = 1.0 / (len(sizes) * sizes[insertion])
        check_share = self.line.check_shares(weight, len(self.check_time))
        return InsertionLosses(
            means_db=insertions.means,
            time=group_means(item_time, insertion),
            reference_db=self.making_db,
            reference_time=self.making_time,
            reference_weights=np.asarray((check_share / np.bincount(self.check))[self.check]),
            check=self.check,
            check_db=self.check_db,
            check_time=self.check_time,
        )


def numbered(blocks: Iterable[ComplexArray]) -> Iterator[tuple[slice, ComplexArray]]:
    """Blocks with the rows that they are of the whole."""
    first = 0
    for block in blocks:
        yield slice(first, first + len(block)), block
        first += len(block)


def _series(band: BandBlocks, series_db: FloatArray, insertion: IntArray) -> LossSeries | None:
    time = band.insertion_time
    if len(time) < 2 or np.any(np.diff(time) <= 0.0):
        return None
    temperature_c = None
    if band.temperature_time is not None and band.temperature_c is not None:
        temperature_c = temperature_at(time, band.temperature_time, band.temperature_c)
    return LossSeries(time, series_db[0], series_db[1], insertion, temperature_c)


def temperature_at(
    time: FloatArray, read_time: FloatArray, temperature_c: FloatArray
) -> FloatArray:
    """(N,) temperature in degrees Celsius at each time, on the line between readings (M,); nan
    where the nearest of them is too far away."""
    if not len(read_time):
        return np.full(len(time), np.nan)
    order = np.argsort(read_time, kind="stable")
    read_time, temperature_c = read_time[order], temperature_c[order]
    right = np.clip(np.searchsorted(read_time, time), 0, len(read_time) - 1)
    left = np.maximum(right - 1, 0)
    nearest_s = np.minimum(np.abs(read_time[right] - time), np.abs(time - read_time[left]))
    between = np.interp(time, read_time, temperature_c)
    return np.where(nearest_s <= TEMPERATURE_HOLDS_S, between, np.nan)
