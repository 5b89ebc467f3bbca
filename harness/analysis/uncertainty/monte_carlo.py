"""Propagation of distributions by Monte Carlo (JCGM 101:2008), for the linear dB model.

The deviation of the loss is the sum of the budget's independent terms: estimated ones a
scaled t (6.4.9), the others normal, rectangular, triangular or arcsine (6.4.2 to 6.4.7). All
are symmetric about zero. Standardized draws are shared by all frequencies, so that a block of
trials at many frequencies is one matrix product.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.uncertainty.budget import (
    COVERAGE_PROBABILITY,
    Contribution,
    Distribution,
    independent_terms,
)

BLOCK = 10_000
"""Trials between two looks at how stable the results are (JCGM 101:2008, 7.9.4 b)."""
MOST_BLOCKS = 100
VALUES_HELD = 8_000_000
"""Trials times frequencies in memory at once."""
SEED = 101
FEWEST_DOF_FOR_VARIANCE = 2.0
"""A t distribution with so many degrees of freedom has no standard deviation."""


@dataclass(frozen=True)
class Propagated:
    """What the trials say of the deviation from the estimate; arrays have shape (P,)."""

    standard_uncertainty_db: FloatArray
    """Standard deviation of the trials; infinite where an estimate has no more than two
    degrees of freedom, since its t distribution has none."""
    low_db: FloatArray
    """Lower end of the shortest coverage interval, relative to the estimate."""
    high_db: FloatArray
    half_width_db: FloatArray
    """Of the smallest interval centred on the estimate."""
    trials: int
    """The most that any frequency took."""
    is_stable: bool
    """Whether all results held still within the tolerance."""


def numerical_tolerance(standard_uncertainty_db: FloatArray, digits: int) -> FloatArray:
    """Half a unit in the last of `digits` significant digits, (P,); JCGM 101:2008, 7.9.2."""
    with np.errstate(divide="ignore"):
        exponent = np.floor(np.log10(standard_uncertainty_db)) - (digits - 1)
    return np.asarray(0.5 * 10.0**exponent)


def shortest_interval(trials: FloatArray, probability: float) -> tuple[FloatArray, FloatArray]:
    """Ends of the shortest interval that holds the share `probability` of the trials.

    `trials` are (..., M); the ends have the leading shape. JCGM 101:2008, 5.3.4 and 7.7.

    Raises:
        ValueError: the share leaves fewer than one trial outside.
    """
    count = trials.shape[-1]
    outside = count - round(probability * count)
    if outside < 1:
        raise ValueError(f"{count} trials are too few for a share of {probability}")
    edges = np.partition(trials, (outside, count - outside - 1), axis=-1)
    low = np.sort(edges[..., : outside + 1], axis=-1)
    high = np.sort(edges[..., count - outside - 1 :], axis=-1)
    first = np.argmin(high - low, axis=-1, keepdims=True)
    ends = (np.take_along_axis(side, first, axis=-1)[..., 0] for side in (low, high))
    lowest, highest = ends
    return np.asarray(lowest), np.asarray(highest)


def centred_half_width(trials: FloatArray, probability: float) -> FloatArray:
    """Half-width of the interval centred on zero that holds the share `probability`.

    `trials` are (..., M); the result has the leading shape.
    """
    within = min(round(probability * trials.shape[-1]), trials.shape[-1]) - 1
    return np.asarray(np.partition(np.abs(trials), within, axis=-1)[..., within])


def propagate(
    budget: Sequence[Contribution],
    *,
    probability: float = COVERAGE_PROBABILITY,
    digits: int = 2,
    seed: int = SEED,
) -> Propagated:
    """Propagate the distributions of a budget, with as many trials as it takes.

    Adaptive (JCGM 101:2008, 7.9): blocks of trials until twice the standard deviation of the
    mean and of the standard uncertainty (where there is one) and of the half-width is below half
    a unit of the last of `digits` significant digits. Those of the half-width count, not those
    of u, which a t distribution with two degrees of freedom has not. Where the shortest
    interval lies is only weakly determined, so its ends are taken from all trials and held to
    no criterion of their own. The same seed gives the same result.

    Raises:
        ValueError: the budget is empty, or one estimate states two degrees of freedom.
    """
    model = _model(budget)
    results = np.full((4, model.scale_db.shape[1]), np.nan)
    width = VALUES_HELD // (BLOCK * MOST_BLOCKS)
    most, is_stable = 0, True
    for columns in model.alike():
        draws = _Draws(model.distributions, model.dof[:, columns[0]], seed)
        for start in range(0, len(columns), width):
            chunk = columns[start : start + width]
            found = _settle(model.scale_db[:, chunk], draws, probability, digits)
            results[:, chunk] = (found.standard_uncertainty_db, found.low_db, found.high_db,
                                 found.half_width_db)  # fmt: skip
            most, is_stable = max(most, found.trials), is_stable and found.is_stable
    u_db, low_db, high_db, half_width_db = results
    return Propagated(u_db, low_db, high_db, half_width_db, most, is_stable)


@dataclass(frozen=True)
class _Model:
    """T independent standardized quantities with their scales."""

    scale_db: FloatArray
    """(T, P)"""
    dof: FloatArray
    """(T, P), infinite for what is not estimated."""
    distributions: tuple[Distribution, ...]

    def alike(self) -> list[np.ndarray]:
        """Columns grouped so that each group has the same degrees of freedom."""
        _, group = np.unique(self.dof, axis=1, return_inverse=True)
        group = np.asarray(group).reshape(-1)
        return [np.flatnonzero(group == value) for value in range(int(group.max()) + 1)]


def _model(budget: Sequence[Contribution]) -> _Model:
    scales: list[FloatArray] = []
    dofs: list[FloatArray] = []
    distributions: list[Distribution] = []
    points = len(budget[0].standard_uncertainty_db)
    normal_variance = np.zeros(points)
    for term in independent_terms(budget):
        nu = np.broadcast_to(np.asarray(term.dof, float), term.standard_uncertainty_db.shape)
        if term.distribution == "normal" and not np.any(np.isfinite(nu)):
            # normal terms known exactly add up to one
            normal_variance = normal_variance + np.square(term.standard_uncertainty_db)
            continue
        for part_db in term.parts_db:
            if np.any(part_db):
                scales.append(part_db)
                dofs.append(nu)
                distributions.append(term.distribution)
    scales.append(np.sqrt(normal_variance))
    dofs.append(np.full(points, np.inf))
    distributions.append("normal")
    return _Model(np.stack(scales), np.stack(dofs), tuple(distributions))


class _Draws:
    """Standardized draws of T quantities, made once and used for all frequencies alike."""

    def __init__(self, distributions: Sequence[Distribution], dof: FloatArray, seed: int) -> None:
        self.has_variance = bool(np.all(dof > FEWEST_DOF_FOR_VARIANCE))
        self._quantities = [(_DRAWS[name], nu) for name, nu in zip(distributions, dof, strict=True)]
        self._rng = np.random.default_rng(seed)
        self._blocks: list[FloatArray] = []

    def block(self, number: int) -> FloatArray:
        """(T, BLOCK); the same for the same number."""
        while number >= len(self._blocks):
            self._blocks.append(np.stack([draw(self._rng, nu) for draw, nu in self._quantities]))
        return self._blocks[number]


def _settle(scale_db: FloatArray, draws: _Draws, probability: float, digits: int) -> Propagated:
    """Some frequencies, (T, C) scales, with as many blocks as they take."""
    blocks: list[FloatArray] = []
    looks: list[FloatArray] = []
    settled = False
    while not settled and len(blocks) < MOST_BLOCKS:
        block = scale_db.T @ draws.block(len(blocks))
        blocks.append(block)
        look = [centred_half_width(block, probability)]
        if draws.has_variance:
            look += [np.mean(block, axis=-1), np.std(block, axis=-1, ddof=1)]
        looks.append(np.stack(look))
        if len(looks) > 1:
            seen = np.stack(looks)
            spread_db = np.std(seen, axis=0, ddof=1) / np.sqrt(len(looks))
            tolerance_db = numerical_tolerance(np.mean(seen[:, 0], axis=0), digits)
            settled = bool(np.all(2.0 * spread_db <= tolerance_db))
    trials = np.concatenate(blocks, axis=-1)
    nothing = np.full(len(trials), np.inf)
    return Propagated(
        np.std(trials, axis=-1, ddof=1) if draws.has_variance else nothing,
        *shortest_interval(trials, probability),
        centred_half_width(trials, probability),
        trials.shape[-1],
        settled,
    )


def _normal(rng: np.random.Generator, dof: float) -> FloatArray:
    return rng.standard_t(dof, BLOCK) if np.isfinite(dof) else rng.standard_normal(BLOCK)


def _rectangular(rng: np.random.Generator, dof: float) -> FloatArray:
    return np.asarray(np.sqrt(3.0) * (2.0 * rng.random(BLOCK) - 1.0))


def _triangular(rng: np.random.Generator, dof: float) -> FloatArray:
    return np.asarray(np.sqrt(6.0) * (rng.random(BLOCK) - rng.random(BLOCK)))


def _arcsine(rng: np.random.Generator, dof: float) -> FloatArray:
    return np.asarray(np.sqrt(2.0) * np.sin(2.0 * np.pi * rng.random(BLOCK)))


_DRAWS: dict[Distribution, Callable[[np.random.Generator, float], FloatArray]] = {
    "normal": _normal,
    "rectangular": _rectangular,
    "triangular": _triangular,
    "U-shaped": _arcsine,
}
"""Draws of standard uncertainty 1; for the t distribution, of scale 1."""
