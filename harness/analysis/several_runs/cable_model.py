"""Attenuation per metre apart from the loss of the connectors, from several lengths of one cable.

    A_i(f) = L_i alpha(f) + c(f)

Slope and intercept come from weighted least squares at every frequency. A cause that shifts all
runs alike lies in the intercept and leaves the slope alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.several_runs.linear_model import LinearEstimate, RunErrors, estimate
from harness.analysis.units import DB_PER_NEPER

FEWEST_LENGTHS = 2
SEGMENT_RATIO = 1.1
"""Points closer than this to the first of a segment count as one when constants are fitted."""
DOUBTFUL_FIT = 0.01
"""Probability of the fit below which the stated uncertainties are taken to be too small."""
PER_METRE = np.array([1.0, 0.0])
CONNECTORS = np.array([0.0, 1.0])


@dataclass(frozen=True)
class LengthRuns:
    """N runs on one cable at P frequencies."""

    length_m: FloatArray
    """(N,)"""
    length_limits_m: FloatArray
    """(N,) half-widths of rectangular limits."""
    insertion_loss_db: FloatArray
    """(N, P)"""
    errors: RunErrors
    reflection: FloatArray | None = None
    """(P,) of the assemblies, root mean square magnitude; None: not known."""


@dataclass(frozen=True)
class CableModel:
    """Attenuation per metre and connector loss at P frequencies."""

    frequency_hz: FloatArray
    estimate: LinearEstimate
    enlargement: float
    """Factor by which the uncertainties were enlarged, because the fit was too bad for them."""
    reflection: FloatArray | None = None
    """(P,) of such assemblies, root mean square magnitude; None: not known."""

    @property
    def attenuation_db_per_m(self) -> FloatArray:
        """(P,)"""
        return self.estimate.combination(PER_METRE)

    @property
    def connectors_db(self) -> FloatArray:
        """(P,) what is left at no length: all that the assemblies have in common."""
        return self.estimate.combination(CONNECTORS)

    def loss_db(self, length_m: float) -> FloatArray:
        """Loss of such an assembly of any length, (P,)."""
        return self.estimate.combination(np.array([length_m, 1.0]))

    def prediction_uncertainty_db(self, length_m: float) -> FloatArray:
        """Expanded uncertainty of `loss_db`, (P,): the band in which its true loss lies, with what
        reflections between its own ends do to it."""
        weights = np.array([length_m, 1.0])
        fitted = self.estimate.standard_uncertainty(weights)
        own = np.zeros_like(fitted)
        if self.reflection is not None:
            own = ripple_between_ends_db(self.reflection, self.loss_db(length_m))
        return np.asarray(self.estimate.coverage_factor(weights) * np.hypot(fitted, own))


def cable_model(frequency_hz: FloatArray, runs: LengthRuns) -> CableModel:
    """Separate the loss per metre from that of the connectors.

    An error of a length acts as an error of alpha times it, so the fit is made twice. What
    reflections between its ends do to an assembly differs from length to length. Where the
    whole fit is worse than chance allows, all uncertainties are enlarged by the root of chi
    square over its degrees of freedom (the ratio of R. T. Birge, Phys. Rev. 40 (1932) 207;
    from memory).

    Raises:
        ValueError: fewer than two different lengths.
    """
    if len(np.unique(runs.length_m)) < FEWEST_LENGTHS:
        raise ValueError("the loss per metre needs at least two different lengths")
    design = np.column_stack([runs.length_m, np.ones_like(runs.length_m)])
    errors = runs.errors
    if runs.reflection is not None:
        loss_db = runs.insertion_loss_db
        everywhere = np.broadcast_to(runs.reflection, loss_db.shape)
        errors = errors.with_independent(ripple_between_ends_db(everywhere, loss_db))
    first = estimate(design, runs.insertion_loss_db, errors)
    of_length_m = runs.length_limits_m / np.sqrt(3.0)
    errors = errors.with_independent(np.abs(np.outer(of_length_m, first.values[0])))
    fitted = estimate(design, runs.insertion_loss_db, errors)
    factor = birge_ratio(fitted)
    if factor > 1.0:
        larger = RunErrors(
            factor * errors.scatter_db,
            errors.scatter_dof,
            factor * errors.independent_db,
            errors.common_db,
        )
        fitted = estimate(design, runs.insertion_loss_db, larger)
    return CableModel(frequency_hz, fitted, factor, runs.reflection)


def birge_ratio(fitted: LinearEstimate) -> float:
    """1, or more where the residuals are larger than chance allows.

    Neighbouring frequencies err together, so the mean of chi square over a band is judged as if
    it were that of one frequency.
    """
    from scipy.special import chdtrc

    if fitted.dof < 1:
        return 1.0
    mean = float(np.mean(fitted.chi_square))
    if chdtrc(float(fitted.dof), mean) >= DOUBTFUL_FIT:
        return 1.0
    return float(np.sqrt(mean / fitted.dof))


def ripple_between_ends_db(reflection: FloatArray, loss_db: FloatArray) -> FloatArray:
    """Standard uncertainty for what reflections between an assembly's two ends do to its loss.

    With equal reflections g at both ends, S21 = t / (1 - g^2 e^(-2 gamma l)): a loss that swings
    by DB_PER_NEPER g^2 e^(-2 alpha l) about its mean, U-shaped. Seen from outside the mean square
    of |S11| over the phase is `reflection`^2 = g^2 (1 + e^(-4 alpha l)), both to first order.
    `reflection` and `loss_db` have the same shape, as has what is returned.
    """
    once = 10.0 ** (-loss_db / 10.0)
    amplitude = DB_PER_NEPER * reflection**2 * once / (1.0 + once**2)
    return np.asarray(amplitude / np.sqrt(2.0))


@dataclass(frozen=True)
class AttenuationConstants:
    """a sqrt(f) + b f in dB/m with f in GHz, neither negative."""

    a: float
    b: float
    covariance: FloatArray
    """(2, 2)"""
    chi_square: float
    segments: int
    frequency_hz: FloatArray
    """(M,) the points that were fitted: one for each segment of the frequencies."""
    attenuation_db_per_m: FloatArray
    standard_uncertainty_db_per_m: FloatArray

    def attenuation(self, frequency_hz: FloatArray) -> FloatArray:
        """dB/m at `frequency_hz` (P,)."""
        ghz = frequency_hz / 1e9
        return np.asarray(self.a * np.sqrt(ghz) + self.b * ghz)

    def standard_uncertainty(self, frequency_hz: FloatArray) -> FloatArray:
        """Of `attenuation`, (P,), from the covariance of the constants."""
        terms = _terms(frequency_hz)
        return np.asarray(np.sqrt(np.einsum("pi,ij,pj->p", terms, self.covariance, terms)))


def attenuation_constants(
    frequency_hz: FloatArray, attenuation_db_per_m: FloatArray, uncertainty_db_per_m: FloatArray
) -> AttenuationConstants:
    """Constants with their covariance from attenuations at P frequencies, in any order.

    How the errors of neighbouring frequencies hang together is not known. Segments are formed
    within which they count as one and the same; between segments they count once as independent
    and once more as the same, and both covariances are added.

    Raises:
        ValueError: no attenuation above zero.
    """
    from scipy.optimize import nnls

    f, alpha, u = _segments(frequency_hz, attenuation_db_per_m, uncertainty_db_per_m)
    scaled = _terms(f) / u[:, None]
    constants, norm = nnls(scaled, alpha / u)
    free = np.flatnonzero(constants > 0.0)
    if not len(free):
        raise ValueError("the cable attenuates nowhere: no constants fit")
    covariance = np.zeros((2, 2))
    gain = np.linalg.pinv(scaled[:, free])
    shift = gain @ np.ones(len(f))
    covariance[np.ix_(free, free)] = gain @ gain.T + np.outer(shift, shift)
    return AttenuationConstants(
        float(constants[0]), float(constants[1]), covariance, float(norm**2), len(f), f, alpha, u
    )


def _terms(frequency_hz: FloatArray) -> FloatArray:
    ghz = frequency_hz / 1e9
    return np.column_stack([np.sqrt(ghz), ghz])


def _segments(
    frequency_hz: FloatArray, attenuation: FloatArray, uncertainty: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    order = np.argsort(frequency_hz)
    f, alpha, u = frequency_hz[order], attenuation[order], uncertainty[order]
    number = np.floor(np.log(f / f[0]) / np.log(SEGMENT_RATIO)).astype(np.int64)
    _, index, counts = np.unique(number, return_inverse=True, return_counts=True)
    means = [np.bincount(index, weights=values) / counts for values in (f, alpha, u)]
    return means[0], means[1], means[2]
