"""Several measured losses as sums of a few unknown ones: weighted least squares at every frequency.

What scatters from run to run weighs the runs and is reduced by having many of them. What shifts
all runs by the same cause is not: it goes through the estimate as a whole. Generalized least
squares with both kinds of covariance (JCGM 102:2011, 6.2 and 7.1; clauses from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.uncertainty.budget import coverage_factor


@dataclass(frozen=True)
class RunErrors:
    """Standard uncertainties of N measured losses at P frequencies, by how they hang together."""

    scatter_db: FloatArray
    """(N, P) estimated from repeated insertions, independent from run to run."""
    scatter_dof: float
    """Of the one variance that all of `scatter_db` rests on."""
    independent_db: FloatArray
    """(N, P) everything else that differs from run to run."""
    common_db: tuple[FloatArray, ...] = ()
    """Each (N, P): one cause that errs in all runs at once, in proportion to these."""

    @property
    def varying_db(self) -> FloatArray:
        """(N, P) all that differs from run to run."""
        return np.asarray(np.hypot(self.scatter_db, self.independent_db))

    def with_independent(self, more_db: FloatArray) -> RunErrors:
        """The same with another independent term, (N, P)."""
        together = np.hypot(self.independent_db, more_db)
        return RunErrors(self.scatter_db, self.scatter_dof, together, self.common_db)


@dataclass(frozen=True)
class LinearEstimate:
    """K unknowns at P frequencies, estimated from N runs."""

    values: FloatArray
    """(K, P)"""
    covariance: FloatArray
    """(P, K, K)"""
    scatter_covariance: FloatArray
    """(P, K, K) the part of it that rests on `scatter_dof` degrees of freedom."""
    scatter_dof: float
    chi_square: FloatArray
    """(P,) sum of squared residuals over their variances."""
    dof: int
    """N - K, of `chi_square`."""

    def combination(self, weights: FloatArray) -> FloatArray:
        """Estimate of the sum of the unknowns with `weights` (K,), (P,)."""
        return np.asarray(weights @ self.values)

    def standard_uncertainty(self, weights: FloatArray) -> FloatArray:
        """Of such a sum, (P,)."""
        return np.sqrt(_quadratic(self.covariance, weights))

    def coverage_factor(self, weights: FloatArray) -> FloatArray:
        """Of such a sum, (P,): Student's t at the effective degrees of freedom (JCGM 100:2008,
        G.2b); only the scatter has finite ones."""
        whole = _quadratic(self.covariance, weights)
        part = _quadratic(self.scatter_covariance, weights)
        with np.errstate(divide="ignore", invalid="ignore"):
            effective = np.where(part > 0.0, self.scatter_dof * (whole / part) ** 2, np.inf)
        return coverage_factor(effective)

    def expanded_uncertainty(self, weights: FloatArray) -> FloatArray:
        """Of such a sum, (P,)."""
        return np.asarray(self.coverage_factor(weights) * self.standard_uncertainty(weights))

    @property
    def chi_square_probability(self) -> FloatArray:
        """(P,) of a fit at least this bad if all is as stated; nan without spare runs."""
        from scipy.special import chdtrc

        if self.dof < 1:
            return np.full_like(self.chi_square, np.nan)
        return np.asarray(chdtrc(float(self.dof), self.chi_square))


def estimate(design: FloatArray, measured_db: FloatArray, errors: RunErrors) -> LinearEstimate:
    """Unknowns x of `design` (N, K) @ x = `measured_db` (N, P), every frequency at once.

    Raises:
        ValueError: the design does not decide all unknowns, or an uncertainty is zero.
    """
    runs, unknowns = design.shape
    if np.linalg.matrix_rank(design) < unknowns:
        raise ValueError("the runs do not decide all unknowns")
    variance = errors.varying_db**2
    if not np.all(variance > 0.0):
        raise ValueError("every run needs an uncertainty above zero to be weighed by")
    weight = 1.0 / variance
    normal = np.einsum("nk,np,nl->pkl", design, weight, design)
    gain = np.linalg.solve(normal, np.einsum("nk,np->pkn", design, weight))
    values = np.einsum("pkn,np->kp", gain, measured_db)
    scatter = np.einsum("pkn,np,pln->pkl", gain, errors.scatter_db**2, gain)
    covariance = np.einsum("pkn,np,pln->pkl", gain, variance, gain)
    for common in errors.common_db:
        carried = np.einsum("pkn,np->pk", gain, common)
        covariance = covariance + np.einsum("pk,pl->pkl", carried, carried)
    residuals = measured_db - design @ values
    return LinearEstimate(
        values=values,
        covariance=covariance,
        scatter_covariance=scatter,
        scatter_dof=errors.scatter_dof,
        chi_square=np.asarray(np.sum(residuals**2 * weight, axis=0)),
        dof=runs - unknowns,
    )


def pooled_scatter(
    scatter_db: FloatArray, one_making_db: FloatArray, dofs: Sequence[float]
) -> tuple[FloatArray, float]:
    """Scatter of N runs' means as if every run had the same scatter of one making.

    `scatter_db` and `one_making_db` are (N, P), `dofs` (N,): the variances of one making are
    averaged by their degrees of freedom (pooled variance, textbook), which then add up.
    Returns the scatter (N, P) and the degrees of freedom.

    Raises:
        ValueError: all insertions of a run agree exactly.
    """
    weights = np.asarray(dofs, dtype=np.float64)
    pooled = np.sqrt(weights @ np.square(one_making_db) / weights.sum())
    scatters = one_making_db > 0.0
    if not np.all(scatters.any(axis=1)):
        raise ValueError("a run whose insertions all agree exactly has no scatter to be weighed by")
    ratio = scatter_db / np.where(scatters, one_making_db, 1.0)
    share = np.sum(ratio * scatters, axis=1) / scatters.sum(axis=1)
    return np.asarray(share[:, None] * pooled), float(weights.sum())


def _quadratic(covariance: FloatArray, weights: FloatArray) -> FloatArray:
    return np.asarray(np.einsum("k,pkl,l->p", weights, covariance, weights))
