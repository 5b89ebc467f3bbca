"""How many of a lot to check, how many may fail, and what such a plan does: exact, by attributes.

A plan takes n items at random and accepts the lot if at most c of them fail. In a lot of N items
the number that fails is hypergeometric, from a running process it is binomial; neither is
replaced by an approximation (A. J. Duncan, Quality Control and Industrial Statistics, chapter
on single sampling; NIST/SEMATECH e-Handbook, 6.2.3).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from harness.analysis.arrays import FloatArray

MOST_SAMPLES = 100_000
_WHOLE = 1e-9
"""What differs by less is the same but for rounding: shares of a lot, and risks."""


@dataclass(frozen=True)
class SamplingPlan:
    """Check `sample_size` items; accept if at most `acceptance_number` fail.

    Raises:
        ValueError: the numbers do not make a plan.
    """

    sample_size: int
    acceptance_number: int
    lot_size: int | None = None
    """Items in the lot; None for a running process, of which the sample is a small part."""

    def __post_init__(self) -> None:
        if self.sample_size < 1:
            raise ValueError(f"a sample of {self.sample_size} items is none")
        if self.acceptance_number < 0:
            raise ValueError(f"{self.acceptance_number} items cannot fail")
        if self.lot_size is not None and self.sample_size > self.lot_size:
            raise ValueError(
                f"a sample of {self.sample_size} cannot be taken from {self.lot_size} items"
            )

    @property
    def is_whole_lot(self) -> bool:
        """Whether every item is checked."""
        return self.sample_size == self.lot_size


@dataclass(frozen=True)
class QualityPoint:
    """A share of bad items, and the most that a plan may err with it."""

    fraction: float
    """Share of bad items, 0 to 1."""
    risk: float
    """Probability of the wrong decision."""


def acceptance_of_defectives(plan: SamplingPlan, defectives: ArrayLike) -> FloatArray:
    """Probability that a lot with so many bad items is accepted; the shape of `defectives`.

    Raises:
        ValueError: the plan has no lot, or the lot has not so many items.
    """
    from scipy.stats import hypergeom

    if plan.lot_size is None:
        raise ValueError("a process has no number of bad items: give their share")
    bad = np.asarray(defectives, dtype=np.int64)
    if np.any(bad < 0) or np.any(bad > plan.lot_size):
        raise ValueError(f"a lot of {plan.lot_size} has from 0 to {plan.lot_size} bad items")
    return np.asarray(hypergeom.cdf(plan.acceptance_number, plan.lot_size, bad, plan.sample_size))


def acceptance_probability(plan: SamplingPlan, fraction: ArrayLike) -> FloatArray:
    """Probability that a lot is accepted whose items are bad with probability `fraction`.

    Of a lot with a whole number of bad items it is exact for that lot; a share between two whole
    numbers lies on the line between them. The shape is that of `fraction`.

    Raises:
        ValueError: a share is not between 0 and 1.
    """
    share = np.asarray(fraction, dtype=np.float64)
    if not np.all((share >= 0.0) & (share <= 1.0)):
        raise ValueError("a share of bad items lies between 0 and 1")
    if plan.lot_size is None:
        from scipy.stats import binom

        return np.asarray(binom.cdf(plan.acceptance_number, plan.sample_size, share))
    exact = share * plan.lot_size
    nearest = np.rint(exact)
    exact = np.where(np.abs(exact - nearest) < _WHOLE * plan.lot_size, nearest, exact)
    below = np.floor(exact).astype(np.int64)
    above = np.minimum(below + 1, plan.lot_size)
    part = exact - below
    return np.asarray(
        (1.0 - part) * acceptance_of_defectives(plan, below)
        + part * acceptance_of_defectives(plan, above)
    )


def quality_accepted_with(plan: SamplingPlan, probability: float) -> float:
    """Share of bad items at which a lot is accepted with `probability`.

    For a process the inverse of the incomplete beta function; in a lot on the line between the
    two whole numbers of bad items.

    Raises:
        ValueError: the probability is not strictly between 0 and 1, or every lot is accepted.
    """
    if not 0.0 < probability < 1.0:
        raise ValueError("lots are accepted with certainty only where all, or none, are bad")
    n, c = plan.sample_size, plan.acceptance_number
    if c >= n:
        raise ValueError("this plan accepts every lot")
    if plan.lot_size is None:
        from scipy.special import betaincinv

        return float(1.0 - betaincinv(n - c, c + 1, probability))
    low, high = 0, plan.lot_size
    while high - low > 1:
        middle = (low + high) // 2
        if acceptance_of_defectives(plan, middle) >= probability:
            low = middle
        else:
            high = middle
    upper, lower = acceptance_of_defectives(plan, [low, high])
    return float((low + (upper - probability) / (upper - lower)) / plan.lot_size)


def bad_items(fraction: float, lot_size: int, *, at_most: bool) -> int:
    """Whole bad items in a lot that a share allows (`at_most`), or that reach it."""
    exact = fraction * lot_size
    return math.floor(exact + _WHOLE * lot_size) if at_most else math.ceil(
        exact - _WHOLE * lot_size
    )  # fmt: skip


def smallest_plan(
    good: QualityPoint, bad: QualityPoint, lot_size: int | None = None
) -> SamplingPlan:
    """The smallest sample that meets both points, with its acceptance number.

    A lot with at most the share `good.fraction` of bad items is rejected with a probability of at
    most `good.risk` (the producer's), one that reaches `bad.fraction` is accepted with at most
    `bad.risk` (the consumer's). The sample that the consumer needs grows with the acceptance
    number, so the first number that also serves the producer gives the smallest.

    Raises:
        ValueError: the points exclude each other, or only a sample beyond `MOST_SAMPLES` would do.
    """
    _check_points(good, bad)
    if lot_size is not None:
        allowed = bad_items(good.fraction, lot_size, at_most=True)
        reached = bad_items(bad.fraction, lot_size, at_most=False)
        if allowed >= reached:
            raise ValueError(
                f"in a lot of {lot_size} the two shares allow the same number of bad items "
                f"({allowed}), so that no plan tells them apart"
            )
    number = _surely_too_few(good, bad, lot_size)
    while True:
        size = consumer_sample(bad, number, lot_size)
        plan = SamplingPlan(size, number, lot_size)
        if 1.0 - _accepted(plan, good.fraction, at_most=True) <= good.risk * (1.0 + _WHOLE):
            return plan
        number += 1


def consumer_sample(bad: QualityPoint, acceptance_number: int, lot_size: int | None = None) -> int:
    """Smallest sample with which a lot that reaches `bad.fraction` is accepted with at most
    `bad.risk`, where `acceptance_number` items may fail.

    Raises:
        ValueError: the lot has not that many bad items, or the sample is beyond `MOST_SAMPLES`.
    """
    most = MOST_SAMPLES if lot_size is None else lot_size
    if lot_size is not None and bad_items(bad.fraction, lot_size, at_most=False) <= (
        acceptance_number
    ):
        raise ValueError(
            f"a lot of {lot_size} with {100 * bad.fraction:g} % bad items has no more than "
            f"{acceptance_number}, so that it passes even when all are checked"
        )

    def serves(size: int) -> bool:
        plan = SamplingPlan(size, acceptance_number, lot_size)
        return _accepted(plan, bad.fraction, at_most=False) <= bad.risk * (1.0 + _WHOLE)

    # brackets grow from the Poisson limit, near which the answer lies
    from scipy.special import gammainccinv

    guess = float(gammainccinv(acceptance_number + 1, bad.risk)) / bad.fraction
    high = min(max(math.ceil(guess), acceptance_number + 1), most)
    low = acceptance_number
    step = max(high // 32, 1)
    while not serves(high):
        if high >= most:
            raise ValueError(_too_many(most))
        low, high, step = high, min(high + step, most), 2 * step
    while high - step > low:
        if not serves(high - step):
            low = high - step
            break
        high, step = high - step, 2 * step
    while high - low > 1:
        middle = (low + high) // 2
        if serves(middle):
            high = middle
        else:
            low = middle
    return high


def _surely_too_few(good: QualityPoint, bad: QualityPoint, lot_size: int | None) -> int:
    """An acceptance number from which to look upwards: 0, or for large plans six square roots
    below what the normal distribution gives.

    Raises:
        ValueError: only a sample far beyond `MOST_SAMPLES` would do.
    """
    from scipy.special import ndtri

    spread = [math.sqrt(point.fraction * (1.0 - point.fraction)) for point in (good, bad)]
    z = [-float(ndtri(point.risk)) for point in (good, bad)]
    apart = bad.fraction - good.fraction
    size = ((z[0] * spread[0] + z[1] * spread[1]) / apart) ** 2
    if lot_size is not None:
        # what is sampled without replacement scatters less
        size = size / (1.0 + size / lot_size)
    elif size > 2.0 * MOST_SAMPLES:
        raise ValueError(_too_many(MOST_SAMPLES))
    number = size * good.fraction + z[0] * spread[0] * math.sqrt(size)
    return max(0, math.floor(number - 6.0 * math.sqrt(max(number, 0.0)) - 10.0))


def _too_many(most: int) -> str:
    return (
        f"more than {most} items would have to be checked: allow more risk, or take the two "
        "shares further apart"
    )


def _accepted(plan: SamplingPlan, fraction: float, *, at_most: bool) -> float:
    if plan.lot_size is None:
        return float(acceptance_probability(plan, fraction))
    return float(
        acceptance_of_defectives(plan, bad_items(fraction, plan.lot_size, at_most=at_most))
    )


def _check_points(good: QualityPoint, bad: QualityPoint) -> None:
    if not 0.0 <= good.fraction < bad.fraction <= 1.0:
        raise ValueError(
            "the share that is still good must be below the one that is bad: "
            f"{100 * good.fraction:g} % is not below {100 * bad.fraction:g} %"
        )
    for point in (good, bad):
        if not 0.0 < point.risk < 1.0:
            raise ValueError(f"a risk of {100 * point.risk:g} % is not between 0 % and 100 %")
    if good.risk + bad.risk >= 1.0:
        raise ValueError("the two risks together must stay below 100 %")
