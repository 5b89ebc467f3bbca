"""Confidence limits for sums and differences of mean squares, and for their ratios.

Modified large sample (F. A. Graybill and C. M. Wang, J. American Statistical Association 75 (1980)
869-873; N. Ting, R. K. Burdick, F. A. Graybill, S. Jeyaratnam and T.-F. C. Lu, J. Statistical
Computation and Simulation 35 (1990) 135-143) and generalized confidence intervals (M. Hamada and
S. Weerahandi, J. Quality Technology 32 (2000) 241-253), both as in R. K. Burdick, C. M. Borror and
D. C. Montgomery, Design and Analysis of Gauge R&R Studies (2005), from memory; what is relied on
is that simulated studies show the coverage (`python -m tests.studies.gauge`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache

import numpy as np

from harness.analysis.arrays import FloatArray

DRAWS = 20_000
"""Draws of a generalized interval: its ends wander by about 1 % of their distance."""
_SEED = 20_240_117


def combination_limits(
    coefficients: Sequence[float],
    mean_squares: FloatArray,
    dof: Sequence[float],
    confidence: float = 0.95,
) -> tuple[FloatArray, FloatArray]:
    """Two-sided limits of sum k_q theta_q, where mean square q estimates theta_q.

    `mean_squares` is (Q, ...); the limits have the trailing shape. Coefficients may be negative.
    With one of them the limits are the exact ones of chi-square.

    Raises:
        ValueError: the lengths differ, or a mean square has no degrees of freedom.
    """
    k = np.asarray(coefficients, dtype=np.float64)
    ms = np.asarray(mean_squares, dtype=np.float64)
    n = [float(each) for each in dof]
    if not len(k) == len(ms) == len(n):
        raise ValueError("each mean square needs a coefficient and degrees of freedom")
    if min(n) <= 0.0:
        raise ValueError("a mean square without degrees of freedom has no limits")
    alpha = 0.5 * (1.0 - confidence)
    terms = np.abs(k).reshape(-1, *([1] * (ms.ndim - 1))) * ms
    estimate = np.tensordot(k, ms, axes=(0, 0))
    plus = [q for q in range(len(k)) if k[q] > 0.0]
    minus = [q for q in range(len(k)) if k[q] < 0.0]
    below = _variance(terms, n, plus, minus, alpha)
    above = _variance(terms, n, minus, plus, alpha)
    return (
        np.asarray(estimate - np.sqrt(np.maximum(below, 0.0))),
        np.asarray(estimate + np.sqrt(np.maximum(above, 0.0))),
    )


def generalized_limits(
    function: Callable[[FloatArray], FloatArray],
    mean_squares: FloatArray,
    dof: Sequence[float],
    confidence: float = 0.95,
    draws: int = DRAWS,
) -> tuple[float, float]:
    """Two-sided limits of any function of the expected mean squares.

    `mean_squares` is (Q,); `function` takes draws (Q, D) of what they estimate, dof MS / chi^2,
    and gives (D,). The draws are the same at each call, so that the same data give the same.

    Raises:
        ValueError: a mean square has no degrees of freedom.
    """
    if min(dof) <= 0.0:
        raise ValueError("a mean square without degrees of freedom has no limits")
    factors = _chi_square_factors(tuple(float(each) for each in dof), draws)
    drawn = function(np.asarray(mean_squares, dtype=np.float64)[:, None] * factors)
    outside = 0.5 * (1.0 - confidence)
    low, high = np.quantile(drawn, [outside, 1.0 - outside])
    return float(low), float(high)


def _variance(
    terms: FloatArray, n: Sequence[float], away: Sequence[int], against: Sequence[int], alpha: float
) -> FloatArray:
    """What the limit that lies away from the terms `away` is distant by, squared.

    For the lower limit `away` are the positive terms, for the upper one the negative ones: the
    formulas of the two are the same with the roles and the tails exchanged.
    """
    total = np.zeros(terms.shape[1:])
    for q in away:
        total = total + (_g(n[q], alpha) * terms[q]) ** 2
    for r in against:
        total = total + (_h(n[r], alpha) * terms[r]) ** 2
    for q in away:
        for r in against:
            total = total + _cross(n[q], n[r], alpha) * terms[q] * terms[r]
    for place, q in enumerate(away):
        for t in away[place + 1 :]:
            if against:
                total = total + _alike(n[q], n[t], alpha) / (len(away) - 1) * terms[q] * terms[t]
    return total


def _over_infinite(tail: float, dof: float) -> float:
    """Upper `tail` point of F with `dof` and infinite degrees of freedom."""
    from scipy.special import chdtri

    return float(chdtri(dof, tail)) / dof


@cache
def _g(dof: float, alpha: float) -> float:
    return 1.0 - 1.0 / _over_infinite(alpha, dof)


@cache
def _h(dof: float, alpha: float) -> float:
    return 1.0 / _over_infinite(1.0 - alpha, dof) - 1.0


@cache
def _cross(away: float, against: float, alpha: float) -> float:
    from scipy.special import fdtri

    f = float(fdtri(away, against, 1.0 - alpha))
    return ((f - 1.0) ** 2 - (_g(away, alpha) * f) ** 2 - _h(against, alpha) ** 2) / f


@cache
def _alike(first: float, second: float, alpha: float) -> float:
    together = 1.0 - 1.0 / _over_infinite(alpha, first + second)
    return (
        together**2 * (first + second) ** 2 / (first * second)
        - _g(first, alpha) ** 2 * first / second
        - _g(second, alpha) ** 2 * second / first
    )


@cache
def _chi_square_factors(dof: tuple[float, ...], draws: int) -> FloatArray:
    generator = np.random.default_rng(_SEED)
    return np.stack([each / generator.chisquare(each, draws) for each in dof])
