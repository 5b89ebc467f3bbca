"""Allan deviation of a series over the averaging time, with confidence intervals.

The series takes the place of fractional frequency in NIST SP 1065 (Riley, 2008); the value at an
averaging time tau = m tau0 says how much averages over tau differ from one to the next. What is
not known stands as nan; only averages that lie wholly within what is known count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray, IntArray

CONFIDENCE = 0.95
"""Of every interval of the stability analysis."""
FEWEST_TO_IDENTIFY = 30
"""Averages below which the kind of noise is taken over from shorter ones (SP 1065, 5.5, from
memory)."""
SHORTEST_SERIES = 4
"""Averages that the series must hold at the longest averaging time."""
MOST_DIFFERENCES = 2


@dataclass(frozen=True)
class AllanTable:
    """Overlapping Allan deviation at T averaging times."""

    averaging_s: FloatArray
    """(T,)"""
    deviation: FloatArray
    """(T,) in the unit of the series."""
    low: FloatArray
    """(T,) ends of the interval that holds the true one with 95 % confidence."""
    high: FloatArray
    pairs: IntArray
    """(T,) pairs of neighbouring averages wholly within what is known."""
    effective_dof: FloatArray
    """(T,)"""
    noise_exponent: IntArray
    """(T,) power of frequency in the spectrum of the noise: 0 white, -1 flicker, -2 random
    walk; above 0 what alternates."""


def overlapping_allan_deviation(values: FloatArray, factor: int) -> tuple[float, int]:
    """Of averages at every place, SP 1065 eq. (11), and how many pairs it rests on.

    `values` (N,) with nan where nothing is known. Without a pair the deviation is nan.
    """
    return _overlapping(*_sums(values), factor)


def _sums(values: FloatArray) -> tuple[FloatArray, IntArray]:
    """Running sums, from 0, of what is known (less its mean, for precision) and its count."""
    known = np.isfinite(values)
    level = float(values[known].mean()) if known.any() else 0.0
    total = np.concatenate([[0.0], np.cumsum(np.where(known, values - level, 0.0))])
    return total, np.concatenate([[0], np.cumsum(known)])


def _overlapping(total: FloatArray, count: IntArray, factor: int) -> tuple[float, int]:
    if len(total) <= 2 * factor:
        return float("nan"), 0
    means = (total[factor:] - total[:-factor]) / factor
    whole = (count[factor:] - count[:-factor]) == factor
    paired = whole[factor:] & whole[:-factor]
    pairs = int(np.count_nonzero(paired))
    if not pairs:
        return float("nan"), 0
    change = (means[factor:] - means[:-factor])[paired]
    return float(np.sqrt(0.5 * np.mean(change**2))), pairs


def allan_table(values: FloatArray, interval_s: float) -> AllanTable:
    """Overlapping Allan deviation at averaging times that double, of values `interval_s` apart.

    The interval is that of chi-square with the equivalent degrees of freedom of the noise
    (SP 1065, 5.3); its kind is identified from the series.
    """
    from scipy.special import chdtri

    sums = _sums(values)
    longest = max(len(values) // SHORTEST_SERIES, 1)
    rows: list[tuple[int, float, int, float, int]] = []
    exponent = 0
    for factor in 2 ** np.arange(int(np.log2(longest)) + 1):
        deviation, pairs = _overlapping(*sums, int(factor))
        if not pairs:
            continue
        found = noise_exponent(_block_means(*sums, int(factor)))
        exponent = exponent if found is None else found
        effective = equivalent_dof(pairs, int(factor), exponent)
        rows.append((int(factor), deviation, pairs, effective, exponent))
    table = np.array(rows, dtype=np.float64).reshape(len(rows), 5)
    dof = table[:, 3]
    tail = (1.0 - CONFIDENCE) / 2.0
    return AllanTable(
        averaging_s=table[:, 0] * interval_s,
        deviation=table[:, 1],
        low=table[:, 1] * np.sqrt(dof / chdtri(dof, tail)),
        high=table[:, 1] * np.sqrt(dof / chdtri(dof, 1.0 - tail)),
        pairs=table[:, 2].astype(np.int64),
        effective_dof=dof,
        noise_exponent=table[:, 4].astype(np.int64),
    )


def _block_means(total: FloatArray, count: IntArray, factor: int) -> FloatArray:
    """Averages side by side, nan where one is not whole."""
    means = np.diff(total[::factor]) / factor
    return np.where(np.diff(count[::factor]) == factor, means, np.nan)


def noise_exponent(values: FloatArray) -> int | None:
    """Power of frequency in the spectrum of the noise of `values`, between -2 and 2.

    From the correlation of neighbours, differenced until it is stationary (SP 1065, 5.5, lag 1
    autocorrelation; the number of the clause and the bound of 0.25 from memory). None where
    there are fewer than 30 neighbours.
    """
    for differences in range(MOST_DIFFERENCES + 1):
        known = np.isfinite(values)
        if np.count_nonzero(known[1:] & known[:-1]) < FEWEST_TO_IDENTIFY:
            return None
        centred = values - values[known].mean()
        square = float(np.mean(centred[known] ** 2))
        if square == 0.0:
            return None
        correlation = float(np.nanmean(centred[1:] * centred[:-1])) / square
        delta = correlation / (1.0 + correlation) if correlation > -1.0 else -np.inf
        if delta < 0.25 or differences == MOST_DIFFERENCES:
            found = -2.0 * delta - 2.0 * differences
            return int(np.clip(np.round(found), -2, 2))
        values = np.diff(values)
    return None


def equivalent_dof(pairs: int, factor: int, exponent: int) -> float:
    """Degrees of freedom of an overlapping Allan variance, at least 1.

    SP 1065, 5.4.1, table 5 (formulas of Howe, Allan and Barnes, 1981, from memory), for the
    length that would have so many pairs without gaps.
    """
    m, n = float(factor), float(pairs + 2 * factor)
    if exponent >= 2:
        dof = (n + 1.0) * (n - 2.0 * m) / (2.0 * (n - m))
    elif exponent == 1:
        first, second = np.log((n - 1.0) / (2.0 * m)), np.log((2.0 * m + 1.0) * (n - 1.0) / 4.0)
        dof = np.exp(np.sqrt(max(first * second, 0.0)))
    elif exponent == 0:
        dof = (1.5 * (n - 1.0) / m - 2.0 * (n - 2.0) / n) * 4.0 * m**2 / (4.0 * m**2 + 5.0)
    elif exponent == -1 and factor == 1:
        dof = 2.0 * (n - 2.0) ** 2 / (2.3 * n - 4.9)
    elif exponent == -1:
        dof = 5.0 * n**2 / (4.0 * m * (n + 3.0 * m))
    else:
        rest = max(n - 3.0, 1.0) ** 2
        dof = (n - 2.0) / m * ((n - 1.0) ** 2 - 3.0 * m * (n - 1.0) + 4.0 * m**2) / rest
    return float(max(dof, 1.0))
