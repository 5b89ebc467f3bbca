"""The uncertainty budget: contributions, their combination, and the coverage factor.

Valid while the model is close to linear over the uncertainties and no single
non-normal contribution dominates (JCGM 100:2008, G.2.3 and G.6.6).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from harness.analysis.arrays import FloatArray

COVERAGE_PROBABILITY = 0.9545
"""Level of confidence of every expanded uncertainty (k = 2 for a normal distribution)."""


@dataclass(frozen=True)
class Contribution:
    """One line of a budget: a standard uncertainty in dB at every frequency.

    `dof` is infinite for a quantity taken as exactly known. Contributions that are
    scaled copies of one estimated variance carry the same `estimate`: their degrees
    of freedom are those of that one estimate and must not be counted twice.
    """

    name: str
    type: Literal["A", "B"]
    distribution: str
    standard_uncertainty_db: FloatArray
    """Shape (P,)."""
    dof: float
    source: str
    """Document and clause, or the statement of the station that the figure rests on."""
    estimate: str = ""
    """Name of the variance estimate it rests on; empty: one of its own."""


@dataclass(frozen=True)
class CombinedUncertainty:
    """A budget combined at every frequency; all arrays have shape (P,)."""

    standard_uncertainty_db: FloatArray
    effective_dof: FloatArray
    coverage_factor: FloatArray
    expanded_uncertainty_db: FloatArray


def coverage_factor(
    dof: FloatArray | float, probability: float = COVERAGE_PROBABILITY
) -> FloatArray:
    """Coverage factor k of a two-sided interval: Student's t, of any shape `dof` has.

    Degrees of freedom need not be whole: t is evaluated between the tabulated
    integers (JCGM 100:2008, G.4.1 Note 1 allows interpolation; table G.2).
    """
    from scipy.special import ndtri, stdtrit

    nu = np.asarray(dof, dtype=np.float64)
    upper = 0.5 + probability / 2
    finite = np.where(np.isfinite(nu), nu, 1.0)
    k = np.where(np.isfinite(nu), stdtrit(finite, upper), ndtri(upper))
    return np.asarray(k, dtype=np.float64)


def welch_satterthwaite(
    standard_uncertainties: Sequence[FloatArray], dofs: Sequence[float]
) -> FloatArray:
    """Effective degrees of freedom of a sum of independent terms, shape (P,).

    JCGM 100:2008, equation (G.2b). Infinite where no term with finite degrees of
    freedom carries weight.
    """
    variance = np.sum([np.square(u) for u in standard_uncertainties], axis=0)
    spread = np.sum([u**4 / nu for u, nu in zip(standard_uncertainties, dofs, strict=True)], axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        effective = np.where(spread > 0.0, variance**2 / spread, np.inf)
    return np.asarray(effective, dtype=np.float64)


def combine(
    budget: Sequence[Contribution], probability: float = COVERAGE_PROBABILITY
) -> CombinedUncertainty:
    """Combine a budget by the law of propagation with unit sensitivity coefficients.

    JCGM 100:2008, equation (10) for u and annex G for k. Contributions that share an
    `estimate` are first added into one term, because their degrees of freedom are one.

    Raises:
        ValueError: the budget is empty, or contributions that share an estimate
            state different degrees of freedom.
    """
    if not budget:
        raise ValueError("an uncertainty needs at least one contribution")
    variance: dict[str, list[FloatArray]] = defaultdict(list)
    dof: dict[str, float] = {}
    for index, line in enumerate(budget):
        key = line.estimate or f"own estimate {index}"
        variance[key].append(np.square(line.standard_uncertainty_db))
        if dof.setdefault(key, line.dof) != line.dof:
            raise ValueError(
                f"contributions resting on {line.estimate!r} state {dof[key]} and {line.dof} "
                "degrees of freedom; one estimate has one number"
            )
    terms = [np.sqrt(np.sum(variance[key], axis=0)) for key in variance]
    u = np.sqrt(np.sum([np.square(term) for term in terms], axis=0))
    effective = welch_satterthwaite(terms, [dof[key] for key in variance])
    k = coverage_factor(effective, probability)
    return CombinedUncertainty(u, effective, k, k * u)
