"""Whether values may come from a normal distribution: the test of Anderson and Darling."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray

DOUBTFUL_BELOW = 0.05
FEWEST = 8
"""Values below which the approximation of p does not hold (D'Agostino and Stephens 1986)."""


@dataclass(frozen=True)
class Normality:
    """What the test says of some values whose mean and scatter were taken from themselves."""

    statistic: float
    """A squared; nan where there is no scatter."""
    adjusted: float
    """A squared times 1 + 0.75 / n + 2.25 / n^2."""
    p_value: float | None
    """Probability that a normal sample looks at least as odd; None: too few, or no scatter."""
    count: int

    @property
    def is_doubtful(self) -> bool:
        """Whether a normal distribution is hard to believe at the 5 % level."""
        return self.p_value is not None and self.p_value < DOUBTFUL_BELOW

    @property
    def sentence(self) -> str:
        """What follows, in plain words."""
        if self.p_value is None:
            are = "value is" if self.count == 1 else "values are"
            return (
                f"{self.count} {are} too few, or too much alike, to tell whether they are "
                "normally distributed."
            )
        how = "below 0.001" if self.p_value < 0.001 else f"{self.p_value:.2g}"
        if self.is_doubtful:
            return (
                f"The values are not normally distributed (Anderson-Darling, p {how}), so shares "
                "and indices that assume it are rough: go by what was counted, and look for mixed "
                "batches or single bad items."
            )
        return (
            f"Nothing speaks against a normal distribution (Anderson-Darling, p = {how}, "
            f"{self.count} values)."
        )


def anderson_darling(values: FloatArray) -> Normality:
    """Test values (N,) for normality with unknown mean and variance; nan is left out.

    M. A. Stephens in D'Agostino and Stephens, Goodness-of-Fit Techniques (1986), section 4.8.5
    and Table 4.9: A squared, its modification for small samples, and the approximation of p.
    """
    from scipy.special import log_ndtr

    x = np.sort(np.asarray(values, dtype=np.float64)[np.isfinite(values)])
    n = len(x)
    scatter = float(np.std(x, ddof=1)) if n > 1 else 0.0
    if n < 2 or scatter <= 1e-12 * float(np.max(np.abs(x))):
        return Normality(math.nan, math.nan, None, n)
    z = (x - np.mean(x)) / scatter
    odd = 2.0 * np.arange(1, n + 1) - 1.0
    statistic = float(-n - np.mean(odd * (log_ndtr(z) + log_ndtr(-z[::-1]))))
    adjusted = statistic * (1.0 + 0.75 / n + 2.25 / n**2)
    return Normality(statistic, adjusted, _p_value(adjusted) if n >= FEWEST else None, n)


def _p_value(a: float) -> float:
    if a < 0.2:
        return 1.0 - math.exp(-13.436 + 101.14 * a - 223.73 * a**2)
    if a < 0.34:
        return 1.0 - math.exp(-8.318 + 42.796 * a - 59.938 * a**2)
    if a < 0.6:
        return math.exp(0.9177 - 4.279 * a - 1.38 * a**2)
    # the parabola turns up again at 153; p is nothing long before
    return math.exp(1.2937 - 5.709 * a + 0.0186 * a**2) if a < 13.0 else 0.0
