"""Kinds of noise with known truth: what a long run may look like."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import BandResult
from harness.analysis.stability.loss_series import LossSeries

START = 1_772_442_845.0
LOSS_DB = 0.6
DRIFT_DB_PER_H = 0.002
COEFFICIENT_DB_PER_K = 0.0012
SCATTER_DB = 0.002


@dataclass(frozen=True)
class World:
    """One kind of noise at one length, swept once a minute."""

    name: str
    sweeps: int
    white: float = 1.0
    """Standard deviation of what has no memory, in units of 2 mdB."""
    memory: float = 0.0
    """Correlation of one sweep with the next (autoregressive of first order); 0: none."""
    walk: float = 0.0
    """Standard deviation of a step of the random walk, in units of 2 mdB."""
    insertions: int = 1
    offset: float = 0.0
    """Standard deviation of an insertion's offset, in units of 2 mdB."""

    def noise_db(self, rng: np.random.Generator) -> FloatArray:
        """(N,)"""
        noise = self.white * rng.normal(size=self.sweeps)
        if self.memory:
            noise = _remembering(noise, self.memory, rng)
        noise = noise + np.cumsum(self.walk * rng.normal(size=self.sweeps))
        offsets = self.offset * rng.normal(size=self.insertions)
        return np.asarray(SCATTER_DB * (noise + offsets[self.insertion]))

    @property
    def insertion(self) -> NDArray[np.integer]:
        """(N,) which insertion."""
        return np.arange(self.sweeps) * self.insertions // self.sweeps

    def draw(self, rng: np.random.Generator) -> BandResult:
        """A run with a drift and a temperature that rises and falls."""
        hours = np.arange(self.sweeps) / 60.0
        kelvin = 1.5 * np.sin(2.0 * np.pi * (1.3 * hours / hours[-1] + 0.2))
        loss_db = LOSS_DB + DRIFT_DB_PER_H * hours + COEFFICIENT_DB_PER_K * kelvin
        loss_db = loss_db + self.noise_db(rng)
        return band_of(
            LossSeries(
                time=START + 3600.0 * hours,
                loss_db=loss_db,
                uncorrected_db=loss_db,
                insertion=np.asarray(self.insertion, dtype=np.int64),
                temperature_c=23.0 + kelvin,
            )
        )


def _remembering(white: FloatArray, memory: float, rng: np.random.Generator) -> FloatArray:
    found = np.empty_like(white)
    last = rng.normal() / np.sqrt(1.0 - memory**2)
    for place, fresh in enumerate(white):
        last = found[place] = memory * last + fresh
    return found


def band_of(
    series: LossSeries,
    zero_time: FloatArray | None = None,
    zero_change_db: FloatArray | None = None,
) -> BandResult:
    """A band of two frequencies around a series; without a later check of the zero."""
    nothing = np.zeros(2)
    level = nothing + float(series.loss_db.mean())
    return BandResult(
        frequency_hz=np.array([863e6, 870e6]),
        insertion_loss_db=level,
        standard_uncertainty_db=nothing + 0.01,
        effective_dof=nothing + 9.0,
        coverage_factor=nothing + 2.3,
        expanded_uncertainty_db=nothing + 0.023,
        interval_low_db=level - 0.023,
        interval_high_db=level + 0.023,
        budget=(),
        insertion_means_db=level[None, :],
        insertion_time=series.time[:1],
        zero_change_db=np.zeros((1, 2)) if zero_change_db is None else zero_change_db,
        zero_time=series.time[:1] - 60.0 if zero_time is None else zero_time,
        series=series,
    )


def worlds() -> tuple[World, ...]:
    """All that the study goes through."""
    return (
        World("white, 60", 60),
        World("white, 480", 480),
        World("memory 0.5, 60", 60, memory=0.5),
        World("memory 0.5, 480", 480, memory=0.5),
        World("memory 0.9, 480", 480, memory=0.9),
        World("random walk, 120", 120, white=0.0, walk=1.0),
        World("random walk, 480", 480, white=0.0, walk=1.0),
        World("white and random walk, 480", 480, walk=0.3),
        World("8 insertions that differ, 480", 480, insertions=8, offset=5.0),
        World("white and a faint walk, 480", 480, walk=0.05),
        World("memory 0.98, 120", 120, memory=0.98),
        World("random walk, 32", 32, white=0.0, walk=1.0),
    )
