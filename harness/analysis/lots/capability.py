"""How well a process keeps its limit: capability indices, and the share of bad items they mean.

The loss of an item has an upper limit and mostly no lower one, so the index is the distance from
the mean to that limit in units of three standard deviations: Cpu = (limit - mean) / 3 s. With the
scatter of all values it is the performance Ppk, with the short-term scatter of a control chart
the potential Cpk (NIST/SEMATECH e-Handbook, 6.1.6).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.lots.figure_of_merit import Index
from harness.analysis.lots.noncentral import noncentrality_for
from harness.analysis.lots.normality import Normality, anderson_darling

__all__ = ["Capability", "Index", "Normality", "anderson_darling", "capability"]

CONFIDENCE = 0.95
FINE = 1.33
"""Index from which a process is usually called capable (common practice)."""
_SAME = 1e-12


@dataclass(frozen=True)
class Capability:
    """What the losses of some items say of the process that makes them."""

    count: int
    mean_db: float
    overall_sd_db: float
    """Standard deviation of all values."""
    performance: Index
    """Ppk, from the scatter of all values."""
    potential: Index | None
    """Cpk, from the short-term scatter; None where that is not known, or is nothing."""
    nonconforming: Index
    """Share of the process beyond the limit if it is normal."""
    confidence: float


def capability(
    values: FloatArray,
    upper_limit_db: float,
    *,
    within_sd_db: float | None = None,
    confidence: float = CONFIDENCE,
) -> Capability:
    """Capability from losses (N,) in dB; nan is left out.

    3 sqrt(n) Ppk has a noncentral t distribution with n - 1 degrees of freedom, from which its
    limits are exact (Y. Chou, D. B. Owen and S. A. Borrego, J. Quality Technology 22 (1990)
    223-229). The share beyond the limit is Phi(-3 Ppk), with the limits that those of Ppk give.

    Raises:
        ValueError: there are fewer than two values, all are alike, or the limit is none.
    """
    x = np.asarray(values, dtype=np.float64)
    x = x[np.isfinite(x)]
    if len(x) < 2:
        raise ValueError("capability needs the losses of at least two items")
    if not math.isfinite(upper_limit_db):
        raise ValueError("capability needs an upper limit")
    mean, scatter = float(np.mean(x)), float(np.std(x, ddof=1))
    if scatter <= _SAME * float(np.max(np.abs(x))):
        raise ValueError("all losses are alike, so that they say nothing of the process's scatter")
    distance = upper_limit_db - mean
    value = distance / (3.0 * scatter)
    performance = _one_sided(value, len(x), len(x) - 1.0, confidence)
    potential = None
    if within_sd_db is not None and within_sd_db > _SAME * float(np.max(np.abs(x))):
        potential = _one_sided(
            distance / (3.0 * within_sd_db), len(x), _moving_range_dof(len(x)), confidence
        )
    return Capability(
        count=len(x),
        mean_db=mean,
        overall_sd_db=scatter,
        performance=performance,
        potential=potential,
        nonconforming=_share_beyond(performance),
        confidence=confidence,
    )


def capability_sentence(result: Capability, normality: Normality | None = None) -> str:
    """What the figures say, in plain words."""
    index = result.performance
    said = (
        f"Ppk is {index.value:.2f} ({index.low:.2f} to {index.high:.2f} with "
        f"{100 * result.confidence:g} % confidence, {result.count} items): "
    )
    if index.low >= FINE:
        said += "the process keeps its limit with room to spare."
    elif index.low >= 1.0:
        said += "the process keeps its limit."
    elif index.high < 1.0:
        said += "the process does not keep its limit surely: some items will be beyond it."
    else:
        said += "these items cannot tell whether the process keeps its limit; measure more."
    low, high = result.nonconforming.low, result.nonconforming.high
    said += f" If it is normal, {_percent(low)} to {_percent(high)} of its items are beyond."
    if normality is not None and (normality.is_doubtful or normality.p_value is None):
        said += f" {normality.sentence}"
    return said


def measurement_share(standard_uncertainty_db: float, values: FloatArray) -> float:
    """Part of the variance of values (N,) that the measurement itself makes: u^2 / s^2.

    nan where there is no scatter; above 1 where the items differ less than u explains.
    """
    x = np.asarray(values, dtype=np.float64)
    x = x[np.isfinite(x)]
    variance = float(np.var(x, ddof=1)) if len(x) > 1 else 0.0
    return standard_uncertainty_db**2 / variance if variance > 0.0 else math.nan


def measurement_share_sentence(share: float) -> str:
    """What that part means, in plain words."""
    if not math.isfinite(share):
        return "The losses do not differ, so nothing can be said of what the measurement adds."
    if share > 1.0:
        return (
            "The losses differ less than the stated uncertainty explains: the items are alike as "
            "far as this bench can tell, and part of the uncertainty is common to all of them."
        )
    of = f"{100 * share:.0f} %" if share >= 0.01 else "less than 1 %"
    if share <= 0.1:
        return f"The measurement makes {of} of the variance seen: the items do differ."
    if share <= 0.5:
        return (
            f"The measurement makes {of} of the variance seen: the process is better than its "
            "indices look."
        )
    return (
        f"The measurement makes {of} of the variance seen: most of what looks like scatter of the "
        "items is the bench; more insertions would show the process."
    )


def _one_sided(value: float, count: int, dof: float, confidence: float) -> Index:
    t = 3.0 * math.sqrt(count) * value
    outside = 0.5 * (1.0 - confidence)
    scale = 3.0 * math.sqrt(count)
    return Index(
        value=value,
        low=noncentrality_for(t, dof, 1.0 - outside) / scale,
        high=noncentrality_for(t, dof, outside) / scale,
    )


def _share_beyond(index: Index) -> Index:
    from scipy.special import ndtr

    return Index(
        value=float(ndtr(-3.0 * index.value)),
        low=float(ndtr(-3.0 * index.high)),
        high=float(ndtr(-3.0 * index.low)),
    )


def _moving_range_dof(count: int) -> float:
    """Degrees of freedom that the mean moving range of two is worth.

    Its variance over the square of its mean makes 1 / (2 dof): sum of the variance of |d| and of
    the covariance of neighbours, (2 pi / 3 - 3 + sqrt 3) sigma^2 for n -> infinity (J. D. Cryer
    and T. P. Ryan, J. Quality Technology 22 (1990) 187-192, from memory).
    """
    return max(1.0, 0.605 * (count - 1))


def _percent(share: float) -> str:
    if share < 1e-6:
        return "less than 0.0001 %"
    return f"{100 * share:.2g} %"
