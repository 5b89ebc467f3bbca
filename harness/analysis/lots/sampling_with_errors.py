"""What a sampling plan does on a bench that at times fails a good item or passes a bad one."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from harness.analysis.arrays import FloatArray, IntArray
from harness.analysis.lots.discrete import binomial_cdf, binomial_pmf, hypergeometric_pmf
from harness.analysis.lots.sampling import SamplingPlan


def apparent_fraction(fraction: ArrayLike, false_fail: float, false_pass: float) -> FloatArray:
    """Share that the bench calls bad: p (1 - false_pass) + (1 - p) false_fail.

    Raises:
        ValueError: a probability is not between 0 and 1.
    """
    if not (0.0 <= false_fail <= 1.0 and 0.0 <= false_pass <= 1.0):
        raise ValueError("probabilities of wrong verdicts lie between 0 and 1")
    share = np.asarray(fraction, dtype=np.float64)
    return np.asarray(share * (1.0 - false_pass) + (1.0 - share) * false_fail)


def acceptance_with_errors(
    plan: SamplingPlan, defectives: ArrayLike, false_fail: float, false_pass: float
) -> FloatArray:
    """Probability of acceptance of a lot with so many bad items on a bench that errs.

    Exact: each of the bad items in the sample fails with probability 1 - false_pass, each of
    the good ones with false_fail, independently. For a process use `acceptance_probability` at
    `apparent_fraction`. The shape is that of `defectives`.

    Raises:
        ValueError: as `acceptance_of_defectives` and `apparent_fraction`.
    """
    apparent_fraction(0.0, false_fail, false_pass)
    if plan.lot_size is None:
        raise ValueError("a process has no number of bad items: give their share")
    bad = np.asarray(defectives, dtype=np.int64)
    n, c = plan.sample_size, plan.acceptance_number
    flat = [
        _with_errors(plan, plan.lot_size, int(each), false_fail, false_pass) for each in bad.ravel()
    ]
    return np.asarray(flat if n > c else [1.0] * bad.size).reshape(bad.shape)


def _with_errors(
    plan: SamplingPlan, lot_size: int, bad: int, false_fail: float, false_pass: float
) -> float:
    n, c = plan.sample_size, plan.acceptance_number
    lowest = max(0, n - (lot_size - bad))
    drawn: IntArray = np.arange(lowest, min(bad, n) + 1)
    chance = hypergeometric_pmf(drawn, lot_size, np.asarray(bad), n)
    # of the bad ones drawn, j fail; the good ones then add at most c - j
    found = np.arange(c + 1)
    of_bad = binomial_pmf(found[None, :], drawn[:, None], np.asarray(1.0 - false_pass))
    of_good = binomial_cdf(c - found[None, :], (n - drawn)[:, None], np.asarray(false_fail))
    return float(np.sum(chance[:, None] * of_bad * of_good))
