"""Constants of a sqrt(f) + b f fitted to attenuation: conductor loss and dielectric loss.

The square root is the skin effect, the linear term a constant loss tangent (textbook).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray

SOLVED_WITHIN = 1e-12
"""Of the sums that have to vanish at the best fit, relative to their largest terms."""


@dataclass(frozen=True)
class AttenuationFit:
    """Constants with what the points say about how well they are known.

    Units are those of the fitted attenuation, with f in GHz.
    """

    conductor: float
    """a"""
    dielectric: float
    """b"""
    covariance: FloatArray
    """(2, 2) of (a, b), from the points' stated uncertainties, and enlarged by the residuals
    where these are larger than stated (Birge ratio)."""
    chi_square: float
    dof: int


def curve_variance(covariance: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    """Variance of a sqrt(f) + b f at `frequency_hz` (P,) from the (2, 2) of its constants."""
    terms = _terms(frequency_hz)
    return np.asarray(np.einsum("pi,ij,pj->p", terms, covariance, terms))


def fit_attenuation(
    frequency_hz: FloatArray, attenuation: FloatArray, uncertainty: FloatArray | None = None
) -> tuple[float, float]:
    """Least-squares constants (a, b) of a sqrt(f) + b f with f in GHz, neither negative.

    All arguments have shape (M,), M at least 2; the constants have the unit of `attenuation`.
    Points count alike, or by the inverse square of their `uncertainty`.
    """
    from scipy.optimize import nnls

    weighted, target = _weighted(frequency_hz, attenuation, uncertainty)
    (a, b), _ = nnls(weighted, target)
    return float(a), float(b)


def is_fit(
    constants: tuple[float, float],
    frequency_hz: FloatArray,
    attenuation: FloatArray,
    uncertainty: FloatArray,
) -> bool:
    """Whether `constants` are those that `fit_attenuation` finds.

    The conditions of Karush, Kuhn and Tucker (textbook): the sum of squares does not fall in the
    direction of either constant, other than below zero.
    """
    weighted, target = _weighted(frequency_hz, attenuation, uncertainty)
    fall = weighted.T @ (target - weighted @ np.array(constants))
    fall /= np.abs(weighted).T @ np.abs(target)
    held = np.array(constants) == 0.0
    return bool(np.all(np.where(held, fall, np.abs(fall)) <= SOLVED_WITHIN))


def fit_with_covariance(
    frequency_hz: FloatArray,
    attenuation: FloatArray,
    uncertainty: FloatArray,
    constants: tuple[float, float] | None = None,
) -> AttenuationFit:
    """Weighted fit of points (M,) with independent standard uncertainties (M,), M at least 2.

    Where its `constants` are known already, they are not sought again. The covariance is that
    of the unbounded fit, (X' W X)^-1 (textbook least squares), also where a constant is held at
    zero: being held there makes it no better known.
    """
    a, b = constants or fit_attenuation(frequency_hz, attenuation, uncertainty)
    terms = _terms(frequency_hz)
    weighted = terms / np.asarray(uncertainty)[:, None]
    residuals = np.asarray(attenuation - terms @ np.array([a, b]))
    chi_square = float(np.sum((residuals / uncertainty) ** 2))
    dof = len(residuals) - 2
    enlargement = max(chi_square / dof, 1.0) if dof > 0 else 1.0
    # the pseudo-inverse: points at one frequency leave one combination open
    covariance = np.asarray(enlargement * np.linalg.pinv(weighted.T @ weighted), dtype=np.float64)
    return AttenuationFit(a, b, covariance, chi_square, dof)


def _terms(frequency_hz: FloatArray) -> FloatArray:
    ghz = np.asarray(frequency_hz, float) / 1e9
    return np.column_stack([np.sqrt(ghz), ghz])


def _weighted(
    frequency_hz: FloatArray, attenuation: FloatArray, uncertainty: FloatArray | None
) -> tuple[FloatArray, FloatArray]:
    """Terms (M, 2) and attenuation (M,), each in its standard uncertainty if that is given."""
    weight = 1.0 if uncertainty is None else 1.0 / np.asarray(uncertainty, float)[:, None]
    weighted = _terms(frequency_hz) * weight
    target = np.asarray(attenuation, float)[:, None] * weight
    return weighted, target[:, 0]
