"""The uncertainty budget: contributions, their combination, and the coverage factor.

Combined here by the law of propagation, which is valid while the model is close to linear over
the uncertainties and no single non-normal contribution dominates (JCGM 100:2008, G.2.3 and
G.6.6); `harness.analysis.uncertainty.monte_carlo` propagates the distributions themselves.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from statistics import NormalDist
from typing import TYPE_CHECKING, Literal

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.uncertainty.student import student_quantile

if TYPE_CHECKING:
    from scipy.interpolate import CubicSpline

Distribution = Literal["normal", "rectangular", "triangular", "U-shaped"]
"""Shapes that a contribution can have; U-shaped is the arcsine distribution."""
ActsOn = Literal["item", "reference", "difference"]
"""The term of loss = reference level - item level that a contribution acts on."""

COVERAGE_PROBABILITY = 0.9545
"""Level of confidence of every expanded uncertainty (k = 2 for a normal distribution)."""
NORMAL_FACTOR = NormalDist().inv_cdf(0.5 + COVERAGE_PROBABILITY / 2)
"""Coverage factor where all is taken as exactly known: what `coverage_factor` tends to."""
FEW_FACTORS = 2000
"""So many coverage factors are worked out one by one."""
KNOTS = 401
DOF_RULE = (
    "k: Student's t with effective degrees of freedom that take each estimated variance at its "
    "upper 70 % limit (ours, not published)"
)
"""The rule of k in words, as a run file keeps it."""
VARIANCE_CONFIDENCE = 0.70
"""Confidence that an estimated variance is not above the limit that counts for its weight."""


@dataclass(frozen=True)
class Contribution:
    """One line of a budget: a standard uncertainty in dB at every frequency.

    `dof` is infinite for a quantity taken as exactly known. Contributions that are
    scaled copies of one estimated variance carry the same `estimate`: their degrees
    of freedom are those of that one estimate and must not be counted twice.
    """

    name: str
    type: Literal["A", "B"]
    distribution: Distribution
    """Of each of its parts; with finite `dof` a scaled t instead of a normal one."""
    standard_uncertainty_db: FloatArray
    """Shape (P,)."""
    dof: float
    """The least over the frequencies."""
    source: str
    """Document and clause, or the statement of the station that the figure rests on."""
    estimate: str = ""
    """Name of the variance estimate it rests on; empty: one of its own."""
    acts_on: ActsOn = "difference"
    parts_db: FloatArray | None = None
    """(T, P) standard uncertainties of its independent terms of one distribution, such as the
    six of a mismatch; None: one term."""
    dof_by_frequency: FloatArray | None = None
    """(P,) where the degrees of freedom differ from one frequency to the next."""

    @property
    def dofs(self) -> FloatArray | float:
        """Degrees of freedom, (P,) or one number for all frequencies."""
        return self.dof if self.dof_by_frequency is None else self.dof_by_frequency


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
    integers (JCGM 100:2008, G.4.1 Note 1 allows interpolation; table G.2). More of them at once
    than a band has points are interpolated between exact ones, to better than 1e-8.
    """
    nu = np.asarray(dof, dtype=np.float64)
    if nu.size <= FEW_FACTORS:
        return student_quantile(0.5 + probability / 2, nu)
    k = np.exp(_log_factor(probability)(1.0 / np.maximum(nu, 1.0)))
    below = nu < 1.0
    if np.any(below):
        k[below] = student_quantile(0.5 + probability / 2, nu[below])
    return np.asarray(k, dtype=np.float64)


@cache
def _log_factor(probability: float) -> CubicSpline:
    """Logarithm of k over 1/nu from 0 to 1, to better than 1e-8."""
    from scipy.interpolate import CubicSpline

    inverse = np.linspace(0.0, 1.0, KNOTS)
    with np.errstate(divide="ignore"):
        return CubicSpline(inverse, np.log(student_quantile(0.5 + probability / 2, 1.0 / inverse)))


def welch_satterthwaite(
    standard_uncertainties: Sequence[FloatArray], dofs: Sequence[FloatArray | float]
) -> FloatArray:
    """Effective degrees of freedom of a sum of independent terms, shape (P,).

    JCGM 100:2008, equation (G.2b), as published. Infinite where no term with finite degrees
    of freedom carries weight.
    """
    return _effective_dof([np.square(u) for u in standard_uncertainties], dofs)


def cautious_effective_dof(
    standard_uncertainties: Sequence[FloatArray], dofs: Sequence[FloatArray | float]
) -> FloatArray:
    """Effective degrees of freedom that do not promise too much, shape (P,).

    Ours, not published: equation (G.2b) takes estimated variances as if they were true ones.
    Three insertions that happen to agree then make the rest of the budget look as if it
    dominated, and the interval holds the truth in 92.6 % instead of 95.45 %. Here each
    estimated variance stands with its upper confidence limit, s^2 nu / chi2(0.30, nu), for
    the degrees of freedom only. One term alone keeps exactly its own. That it is right is
    shown by the coverage study.
    """
    variances = [
        np.square(u) * _upper_limit(nu) for u, nu in zip(standard_uncertainties, dofs, strict=True)
    ]
    return _effective_dof(variances, dofs)


def _upper_limit(dof: FloatArray | float) -> FloatArray:
    """Upper confidence limit of a variance over its estimate; 1 for infinite `dof`."""
    from scipy.special import chdtri

    nu = np.asarray(dof, dtype=np.float64)
    # most bands have one number for all frequencies, or a few
    values, place = (nu.reshape(-1), ...) if nu.size == 1 else np.unique(nu, return_inverse=True)
    finite = np.where(np.isfinite(values), values, 1.0)
    limit = np.where(np.isfinite(values), finite / chdtri(finite, VARIANCE_CONFIDENCE), 1.0)
    return np.asarray(limit[place].reshape(nu.shape), dtype=np.float64)


def _effective_dof(
    variances: Sequence[FloatArray], dofs: Sequence[FloatArray | float]
) -> FloatArray:
    total = np.sum(variances, axis=0)
    spread = np.sum([v**2 / nu for v, nu in zip(variances, dofs, strict=True)], axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        effective = np.where(spread > 0.0, total**2 / spread, np.inf)
    return np.asarray(effective, dtype=np.float64)


EffectiveDof = Callable[[Sequence[FloatArray], Sequence[FloatArray | float]], FloatArray]
"""Effective degrees of freedom (P,) of independent standard uncertainties (P,) with theirs."""


@dataclass(frozen=True)
class Term:
    """Independent input of the sum: lines that rest on one estimate are one term."""

    standard_uncertainty_db: FloatArray
    """(P,)"""
    dof: FloatArray | float
    distribution: Distribution
    parts_db: FloatArray
    """(T, P) of its independent parts; (1, P) where it is one."""


def independent_terms(budget: Sequence[Contribution]) -> list[Term]:
    """The independent terms of a budget.

    Contributions that share an `estimate` are first added into one, because their degrees of
    freedom are one.

    Raises:
        ValueError: the budget is empty, or contributions that share an estimate state
            different degrees of freedom.
    """
    if not budget:
        raise ValueError("an uncertainty needs at least one contribution")
    shared: dict[str, list[Contribution]] = defaultdict(list)
    for index, line in enumerate(budget):
        shared[line.estimate or f"own estimate {index}"].append(line)
    return [_term(lines) for lines in shared.values()]


def _term(lines: Sequence[Contribution]) -> Term:
    first = lines[0]
    for line in lines[1:]:
        if not np.array_equal(np.asarray(line.dofs), np.asarray(first.dofs)):
            raise ValueError(
                f"contributions resting on {line.estimate!r} state {first.dof} and {line.dof} "
                "degrees of freedom; one estimate has one number"
            )
    if len(lines) == 1:
        u_db = np.asarray(first.standard_uncertainty_db, dtype=np.float64)
        parts_db = u_db[None] if first.parts_db is None else first.parts_db
        return Term(u_db, first.dofs, first.distribution, parts_db)
    u_db = np.sqrt(np.sum([np.square(line.standard_uncertainty_db) for line in lines], axis=0))
    return Term(u_db, first.dofs, first.distribution, u_db[None])


def combine(
    budget: Sequence[Contribution],
    probability: float = COVERAGE_PROBABILITY,
    effective_dof: EffectiveDof = cautious_effective_dof,
) -> CombinedUncertainty:
    """Combine a budget by the law of propagation with unit sensitivity coefficients.

    JCGM 100:2008, equation (10) for u and annex G for k, with the cautious effective degrees
    of freedom (ours; shown by the coverage study) unless `welch_satterthwaite` is given.

    Raises:
        ValueError: the budget is empty, or contributions that share an estimate state
            different degrees of freedom.
    """
    terms = independent_terms(budget)
    us = [term.standard_uncertainty_db for term in terms]
    u = np.sqrt(np.sum([np.square(term) for term in us], axis=0))
    effective = effective_dof(us, [term.dof for term in terms])
    k = coverage_factor(effective, probability)
    return CombinedUncertainty(u, effective, k, k * u)
