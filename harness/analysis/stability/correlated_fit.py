"""A straight-line model fitted to a series whose noise is correlated in time.

The series is reduced to the means of several dozen blocks. Their covariance is, up to a factor,
white noise + ratio x noise whose correlation falls off with exp(-|dt| / time) + an offset for
each insertion. A correlation time of several times the whole series stands for a random walk.
None of the three is known, so the estimate is averaged over a grid of them, weighed by the
restricted likelihood of the data (Patterson and Thompson, 1971; Harville, 1974; from memory):
for each of them the estimate has Student's t with N - K degrees of freedom, and the mixture of
these t is what the interval is read from. It thus holds what not knowing the noise adds.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from harness.analysis.arrays import BoolArray, FloatArray, IntArray
from harness.analysis.stability.allan import CONFIDENCE

MOST_BLOCKS = 64
MOST_WITH_INSERTIONS = 96
"""Blocks beyond which the insertions are no longer kept apart."""
_RATIOS = (0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0, np.inf)
"""Variance of what is correlated over that of the white noise of a block."""
_CORRELATION_TIMES = 9
_LONGEST = 16.0
"""Longest correlation time, in lengths of the series: a random walk."""
_SHORTEST = 0.7
"""Shortest, in spacings of the blocks."""
_INSERTION_RATIOS = (0.0, 1.0, 30.0)
"""Variance of an insertion's offset over that of all other noise of a block."""
_WHITE = 0.85
"""What white noise alone counts before the data are seen."""
_LEANING = 1.5
"""Power of the correlation time by which the others count. Both were chosen by trial, for the
coverage that `python -m tests.studies.stability` finds: noise looks less correlated than it is
once a line has been taken out of it."""
_JITTER = 1e-9
_NODES = np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0])
_WEIGHTS = np.array([1.0, 4.0, 1.0]) / 6.0


@dataclass(frozen=True)
class Estimate:
    """A figure with the interval that holds the true one with 95 % confidence."""

    value: float
    standard_uncertainty: float
    low: float
    high: float

    def times(self, factor: float) -> Estimate:
        """The same in another unit."""
        low, high = sorted((self.low * factor, self.high * factor))
        return Estimate(self.value * factor, self.standard_uncertainty * abs(factor), low, high)


@dataclass(frozen=True)
class Blocks:
    """Means of B blocks of neighbouring sweeps."""

    time: FloatArray
    """(B,) mean time."""
    spread: FloatArray
    """(B,) standard deviation of the times of its sweeps."""
    count: FloatArray
    """(B,) sweeps in it."""
    insertion: IntArray
    """(B,) counted from 0."""
    block: IntArray
    """(N,) which block each sweep belongs to, -1: none."""

    def means(self, values: FloatArray) -> FloatArray:
        """(B,) of `values` (N,)."""
        kept = self.block >= 0
        total = np.bincount(self.block[kept], weights=values[kept], minlength=len(self.count))
        return np.asarray(total / self.count)


def make_blocks(time: FloatArray, insertion: IntArray, weighs: BoolArray) -> Blocks:
    """Blocks of the sweeps that `weighs` (N,) marks with True, alike in duration."""
    kept = np.flatnonzero(weighs)
    span = max(float(time[kept[-1]] - time[kept[0]]), 1e-9)
    if len(kept) <= MOST_BLOCKS:
        bins = np.arange(len(kept))
    else:
        share = (time[kept] - time[kept[0]]) / span
        bins = np.minimum((share * MOST_BLOCKS).astype(np.int64), MOST_BLOCKS - 1)
    _, made = np.unique(insertion[kept], return_inverse=True)
    labels = bins * (int(made.max()) + 1) + made
    if len(np.unique(labels)) > MOST_WITH_INSERTIONS:
        labels, made = bins, np.zeros_like(made)
    _, block = np.unique(labels, return_inverse=True)
    count = np.bincount(block).astype(np.float64)
    everywhere = np.full(len(time), -1, dtype=np.int64)
    everywhere[kept] = block
    centre = np.bincount(block, weights=time[kept] - time[0]) / count + time[0]
    off = time[kept] - centre[block]
    spread = np.sqrt(np.bincount(block, weights=off**2) / count)
    first = np.unique(block, return_index=True)[1]
    return Blocks(centre, spread, count, np.asarray(made[first], dtype=np.int64), everywhere)


class NoiseModels:
    """Covariances of the block means that may be true, ready to fit with."""

    def __init__(self, blocks: Blocks) -> None:
        time, size = blocks.time, len(blocks.time)
        distance = np.abs(time[:, None] - time[None, :])
        span = max(float(distance.max()), 1e-9)
        shortest = _SHORTEST * span / max(size - 1, 1)
        times = np.geomspace(shortest, _LONGEST * span, _CORRELATION_TIMES)
        white = np.diag(blocks.count.mean() / blocks.count)
        noise = [white]
        for t in times:
            kept = _averaged(blocks, float(t))
            noise += [white + ratio * kept for ratio in _RATIOS[:-1]] + [kept]
        # alike in size, so that an insertion's offset means the same beside each of them
        noise = [part / np.mean(np.diag(part)) for part in noise]
        same = blocks.insertion[:, None] == blocks.insertion[None, :]
        offsets = _INSERTION_RATIOS if blocks.insertion.max() > 0 else (0.0,)
        stacked = np.stack([part + offset * same for part, offset in product(noise, offsets)])
        stacked += _JITTER * np.eye(size)
        lower = np.linalg.cholesky(stacked)
        self._whitening = np.linalg.inv(lower)
        self._prior = _prior([0.0, *(t for t in times for _ in _RATIOS)], len(offsets))
        self._log_determinant = 2.0 * np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)

    def whitened(self, columns: FloatArray) -> FloatArray:
        """(V, B, C) the `columns` (B, C) with each model's correlation taken out."""
        return np.asarray(self._whitening @ columns)

    def fit(self, design: FloatArray, values: FloatArray) -> Fit:
        """Fit `values` (B,) by `design` (B, K), B > K + 1."""
        size, unknowns = design.shape
        x, y = self.whitened(design), self.whitened(values[:, None])
        normal = np.swapaxes(x, 1, 2) @ x
        inverse = np.asarray(np.linalg.inv(normal), dtype=np.float64)
        estimate = inverse @ (np.swapaxes(x, 1, 2) @ y)
        squares = np.maximum(np.sum((y - x @ estimate) ** 2, axis=(1, 2)), 1e-300)
        dof = size - unknowns
        likelihood = -0.5 * (
            self._log_determinant + np.linalg.slogdet(normal)[1] + dof * np.log(squares)
        )
        weight = self._prior * np.exp(likelihood - likelihood.max())
        variance = np.diagonal(inverse, axis1=1, axis2=2) * (squares / dof)[:, None]
        return Fit(weight / weight.sum(), estimate[:, :, 0], np.asarray(np.sqrt(variance)), dof)

    def gain(self, design: FloatArray, values: FloatArray, candidates: FloatArray) -> FloatArray:
        """(C,) twice the logarithm of the likelihood ratio for adding each of the `candidates`
        (B, C) to the design, every one with the noise that suits it best."""
        x = self.whitened(design)
        rest = self.whitened(np.column_stack([values, candidates]))
        q = np.linalg.qr(x).Q
        rest = rest - q @ (np.swapaxes(q, 1, 2) @ rest)
        y, c = rest[:, :, :1], rest[:, :, 1:]
        squares = np.sum(y**2, axis=(1, 2))
        along = np.sum(y * c, axis=1) ** 2 / np.maximum(np.sum(c**2, axis=1), 1e-300)
        size = len(values)
        plain = -0.5 * (self._log_determinant + size * np.log(np.maximum(squares, 1e-300)))
        left = np.maximum(squares[:, None] - along, 1e-300)
        better = -0.5 * (self._log_determinant[:, None] + size * np.log(left))
        return np.asarray(2.0 * (better.max(axis=0) - plain.max()))


def _prior(correlation_time: list[float], offsets: int) -> FloatArray:
    """What each model counts before the data are seen; the first is white noise."""
    weight = np.asarray(correlation_time) ** _LEANING
    weight *= (1.0 - _WHITE) / weight.sum()
    weight[0] = _WHITE
    return np.repeat(weight, offsets)


def _averaged(blocks: Blocks, time_s: float) -> FloatArray:
    """Covariance (B, B) of averages over blocks, of noise with correlation exp(-|dt| / time_s):
    each block by three places that have its mean time and the spread of its sweeps (the rule of
    Gauss and Hermite with three nodes), which cannot be anything but a covariance."""
    places = blocks.time[:, None] + blocks.spread[:, None] * _NODES
    flat = places.ravel()
    each = np.exp(-np.abs(flat[:, None] - flat[None, :]) / time_s)
    size, nodes = places.shape
    return np.asarray(
        np.einsum("iajb,a,b->ij", each.reshape(size, nodes, size, nodes), _WEIGHTS, _WEIGHTS)
    )


@dataclass(frozen=True)
class Fit:
    """V fits, one for each model of the noise, of K unknowns."""

    weight: FloatArray
    """(V,) how much each counts; they add up to 1."""
    estimate: FloatArray
    """(V, K)"""
    scale: FloatArray
    """(V, K)"""
    dof: int

    def of(self, unknown: int) -> Estimate:
        """One of the unknowns."""
        value = float(self.weight @ self.estimate[:, unknown])
        spread = (self.estimate[:, unknown] - value) ** 2 + self.scale[:, unknown] ** 2
        tail = (1.0 - CONFIDENCE) / 2.0
        return Estimate(
            value,
            float(np.sqrt(self.weight @ spread)),
            self._quantile(unknown, tail),
            self._quantile(unknown, 1.0 - tail),
        )

    def _quantile(self, unknown: int, probability: float) -> float:
        from scipy.special import stdtr, stdtrit

        counts = self.weight > 1e-9
        weight = self.weight[counts]
        centre, scale = self.estimate[counts, unknown], self.scale[counts, unknown]
        ends = centre + scale * float(stdtrit(self.dof, probability))
        low, high = float(ends.min()), float(ends.max())
        for _ in range(60):
            middle = 0.5 * (low + high)
            below = float(weight @ stdtr(self.dof, (middle - centre) / np.maximum(scale, 1e-300)))
            low, high = (middle, high) if below < probability else (low, middle)
        return 0.5 * (low + high)
