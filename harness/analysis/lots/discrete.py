"""Binomial and hypergeometric probabilities, to nearly all digits for any size.

C. Loader, Fast and Accurate Computation of Binomial Probabilities (2000): the deviance and the
error of Stirling's formula are taken apart, so that no large logarithms cancel.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from harness.analysis.arrays import FloatArray

_STIRLING = (1.0 / 12, -1.0 / 360, 1.0 / 1260, -1.0 / 1680, 1.0 / 1188, -691.0 / 360360)
_SMALL = np.array(
    [0.0]
    + [
        math.lgamma(n + 1.0) - (n + 0.5) * math.log(n) + n - 0.5 * math.log(2.0 * math.pi)
        for n in range(1, 17)
    ]
)


def binomial_pmf(successes: ArrayLike, trials: ArrayLike, probability: ArrayLike) -> FloatArray:
    """Probability of exactly so many successes; arguments broadcast, 0 outside 0..trials."""
    x, n, p = np.broadcast_arrays(
        np.asarray(successes, dtype=np.float64),
        np.asarray(trials, dtype=np.float64),
        np.asarray(probability, dtype=np.float64),
    )
    q = 1.0 - p
    result = np.zeros(x.shape)
    inside = (x > 0.0) & (x < n) & (p > 0.0) & (p < 1.0)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore", under="ignore"):
        rest = n - x
        logarithm = (
            _stirling_error(n) - _stirling_error(x) - _stirling_error(rest)
            - _deviance(x, n * p) - _deviance(rest, n * q)
            + 0.5 * np.log(n / (2.0 * math.pi * x * rest))
        )  # fmt: skip
        result = np.where(inside, np.exp(logarithm), result)
        none = np.where(p < 1.0, np.exp(n * np.log1p(-p)), np.where(n == 0.0, 1.0, 0.0))
        every = np.where(p > 0.0, np.exp(n * np.log(p)), np.where(n == 0.0, 1.0, 0.0))
    result = np.where((x == 0.0), none, result)
    return np.asarray(np.where((x == n) & (n > 0.0), every, result))


def binomial_cdf(most: ArrayLike, trials: ArrayLike, probability: ArrayLike) -> FloatArray:
    """Probability of at most so many successes; arguments broadcast.

    I_{1-p}(n - c, c + 1), the incomplete beta function (Abramowitz and Stegun, 26.5.24).
    """
    from scipy.special import betaincc

    c, n, p = np.broadcast_arrays(
        np.asarray(most, dtype=np.float64),
        np.asarray(trials, dtype=np.float64),
        np.asarray(probability, dtype=np.float64),
    )
    proper = (c >= 0.0) & (c < n)
    value = betaincc(np.where(proper, c + 1.0, 1.0), np.where(proper, n - c, 1.0), p)
    return np.asarray(np.where(proper, value, np.where(c < 0.0, 0.0, 1.0)))


def hypergeometric_pmf(
    found: ArrayLike, lot_size: ArrayLike, bad: ArrayLike, sample_size: ArrayLike
) -> FloatArray:
    """Probability of exactly `found` bad items in a sample from a lot; arguments broadcast.

    A product of three binomial probabilities at p = n / N, in which p cancels.
    """
    x, lot, reds, n = np.broadcast_arrays(
        np.asarray(found, dtype=np.float64),
        np.asarray(lot_size, dtype=np.float64),
        np.asarray(bad, dtype=np.float64),
        np.asarray(sample_size, dtype=np.float64),
    )
    whites = lot - reds
    possible = (x >= np.maximum(0.0, n - whites)) & (x <= np.minimum(n, reds))
    p = n / lot
    with np.errstate(divide="ignore", invalid="ignore"):
        value = binomial_pmf(x, reds, p) * binomial_pmf(n - x, whites, p) / binomial_pmf(n, lot, p)
    # where the sample is the whole lot p is 1, and what is found is certain
    value = np.where(n == lot, np.where(x == reds, 1.0, 0.0), value)
    return np.asarray(np.where(possible, value, 0.0))


def hypergeometric_cdf(most: int, lot_size: int, bad: ArrayLike, sample_size: int) -> FloatArray:
    """Probability of at most `most` bad items in a sample; the shape of `bad`."""
    reds = np.asarray(bad, dtype=np.int64)
    if most >= min(sample_size, int(reds.max(initial=0))):
        return np.ones(reds.shape)
    found = np.arange(most + 1)
    summed = hypergeometric_pmf(found, lot_size, reds[..., None], sample_size).sum(axis=-1)
    return np.asarray(np.minimum(summed, 1.0))


def _stirling_error(n: FloatArray) -> FloatArray:
    """ln n! less Stirling's formula for it, of whole numbers."""
    large = np.maximum(n, 1.0)
    inverse = 1.0 / large
    square = inverse * inverse
    series = inverse * np.polynomial.polynomial.polyval(square, _STIRLING)
    return np.where(n <= 16.0, _SMALL[np.clip(n, 0, 16).astype(np.int64)], series)


def _deviance(x: FloatArray, mean: FloatArray) -> FloatArray:
    """x ln(x / m) + m - x without cancellation where the two are near each other."""
    difference = x - mean
    near = np.abs(difference) < 0.1 * (x + mean)
    v = np.where(near, difference / (x + mean), 0.0)
    # ln(x/m) = 2 artanh v, as a series to all digits for |v| < 0.1
    tail = np.zeros_like(v)
    for power in range(10, 0, -1):
        tail = (tail + 1.0 / (2 * power + 1)) * v * v
    series = difference * v + 2.0 * x * v * tail
    plain = x * np.log(x / mean) + mean - x
    return np.where(near, series, plain)
