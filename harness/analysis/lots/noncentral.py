"""The noncentral t distribution, for any degrees of freedom, and its noncentrality inverted."""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from harness.analysis.arrays import FloatArray

_NODES = 160
_ROUNDS, _PARTS = 12, 8
_REACH = 9.0
"""Standard deviations of chi that are integrated over; what lies beyond is below 1e-16."""


def noncentral_t_cdf(t: float, dof: float, noncentrality: FloatArray) -> FloatArray:
    """P(T <= t) for T = (Z + noncentrality) / sqrt(chi^2 / dof); shape of `noncentrality`.

    int Phi(t s - noncentrality) f(s) ds over s = sqrt(chi^2 / dof); where t is large that steps
    up steeply, and the sum goes over Z instead: int phi(z) P(s >= (z + noncentrality) / t) dz.

    Raises:
        ValueError: there are no degrees of freedom.
    """
    from scipy.special import gammaincc, ndtr

    shift = np.asarray(noncentrality, dtype=np.float64)[..., None]
    if t < 0.0:
        return np.asarray(1.0 - noncentral_t_cdf(-t, dof, -shift[..., 0]))
    if t <= math.sqrt(2.0 * dof):
        s, weight = _chi_rule(dof)
        return np.asarray(ndtr(t * s - shift) @ weight)
    nodes, weights = _legendre()
    low = np.clip(-shift, -_REACH, _REACH)
    half = 0.5 * (_REACH - low)
    z = low + half * (nodes + 1.0)
    beyond = gammaincc(0.5 * dof, 0.5 * dof * np.maximum((z + shift) / t, 0.0) ** 2)
    density = np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi)
    return np.asarray(ndtr(low[..., 0]) + np.sum(density * beyond * weights * half, axis=-1))


def noncentrality_for(t: float, dof: float, probability: float) -> float:
    """The noncentrality with which P(T <= t) is `probability`.

    Raises:
        ValueError: there are no degrees of freedom, or the probability is not between 0 and 1.
    """
    if not 0.0 < probability < 1.0:
        raise ValueError(f"a probability of {probability:g} has no finite noncentrality")
    # t s spreads by |t| / sqrt(2 dof) beside the unit normal
    reach = 12.0 * math.hypot(1.0, t * math.sqrt(0.5 / dof)) + 3.0 * abs(t) / math.sqrt(dof)
    low, high = t - reach - 6.0, t + reach + 6.0
    # the probability falls as the noncentrality grows
    for _ in range(_ROUNDS):
        shift = np.linspace(low, high, _PARTS + 1)
        place = int(np.searchsorted(-noncentral_t_cdf(t, dof, shift), -probability))
        place = min(max(place, 1), _PARTS)
        low, high = float(shift[place - 1]), float(shift[place])
    return 0.5 * (low + high)


@cache
def _legendre() -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    return nodes, weights


def _chi_rule(dof: float) -> tuple[FloatArray, FloatArray]:
    from scipy.special import gammaln

    if not dof > 0.0:
        raise ValueError("a noncentral t needs degrees of freedom")
    spread = 1.0 / np.sqrt(2.0 * dof)
    low, high = max(0.0, 1.0 - _REACH * spread), 1.0 + (_REACH + 2.0) * spread
    nodes, weights = _legendre()
    s = low + 0.5 * (high - low) * (nodes + 1.0)
    constant = np.log(2.0) + 0.5 * dof * np.log(0.5 * dof) - gammaln(0.5 * dof)
    density = np.exp(constant + (dof - 1.0) * np.log(s) - 0.5 * dof * s**2)
    weight = density * weights * 0.5 * (high - low)
    return s, weight / np.sum(weight)
