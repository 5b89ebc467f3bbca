"""Student's t distribution, which is the normal one for infinitely many degrees of freedom."""

from __future__ import annotations

import numpy as np

from harness.analysis.arrays import FloatArray


def student_quantile(probability: float, dof: FloatArray) -> FloatArray:
    """Value that t of `dof` degrees of freedom (any shape, inf for normal) stays below."""
    from scipy.special import ndtri, stdtrit

    finite = np.where(np.isfinite(dof), dof, 1.0)
    quantile = np.where(np.isfinite(dof), stdtrit(finite, probability), ndtri(probability))
    return np.asarray(quantile, dtype=np.float64)


def student_probability(value: float, dof: float) -> float:
    """Probability that t of `dof` degrees of freedom (inf for normal) stays below a value."""
    from scipy.special import ndtr, stdtr

    return float(stdtr(dof, value) if np.isfinite(dof) else ndtr(value))
