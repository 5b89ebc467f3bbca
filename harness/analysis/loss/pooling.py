"""Repeatability of a connection, pooled over earlier runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray

SIGNIFICANCE = 0.05
"""Probability of leaving out a run that belongs with the others."""
LARGER_SIGNIFICANCE = 0.10
"""Probability of taking one scatter for larger than another when it is not."""


@dataclass(frozen=True)
class RunScatter:
    """What one earlier run says of the repeatability."""

    run_id: str
    variance_db2: FloatArray
    """(P,) variance of one insertion's mean."""
    dof: int
    sweeps: float
    """Sweeps that made each of those means (harmonic mean)."""


@dataclass(frozen=True)
class PooledRepeatability:
    """Variance of one making of a connection, from earlier runs of the station."""

    variance_db2: FloatArray
    """(P,)"""
    dof: float
    runs: tuple[str, ...]
    """Names of the runs that it was pooled from."""
    left_out: tuple[str, ...]
    """Runs that a test of equal variances rejected."""
    sweeps: float = np.inf
    """Sweeps that made each mean: the variance holds the noise of so many."""


def bartlett(variances: Sequence[float], dofs: Sequence[float]) -> tuple[float, float]:
    """Bartlett's statistic of equal variances and its probability under equality.

    NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.7; Snedecor and Cochran 1989.

    Raises:
        ValueError: there are fewer than two variances, or one is not positive.
    """
    from scipy.special import chdtrc

    s2, nu = np.asarray(variances, float), np.asarray(dofs, float)
    if len(s2) < 2 or np.any(s2 <= 0.0):
        raise ValueError("a comparison of variances needs at least two, all positive")
    total = nu.sum()
    pooled = np.sum(nu * s2) / total
    correction = 1.0 + (np.sum(1.0 / nu) - 1.0 / total) / (3.0 * (len(s2) - 1))
    statistic = (total * np.log(pooled) - np.sum(nu * np.log(s2))) / correction
    return float(statistic), float(chdtrc(len(s2) - 1, max(statistic, 0.0)))


def pool(runs: Sequence[RunScatter]) -> PooledRepeatability | None:
    """Pool what a test of equal variances does not reject; None where there is nothing to pool.

    pooled = sum(dof_i s_i^2) / sum(dof_i) (a pooled estimate as in JCGM 100:2008, 4.2.4). The test
    compares the runs by the mean of their variances over the band; while it rejects, the run
    that departs most from the others is left out. Two runs that differ cannot tell which of
    them is wrong: then the smaller variance is left out, which is the cautious choice.
    """
    kept = [run for run in runs if run.dof > 0 and float(np.mean(run.variance_db2)) > 0.0]
    left_out: list[str] = []
    while len(kept) > 1:
        means = [float(np.mean(run.variance_db2)) for run in kept]
        dofs = [float(run.dof) for run in kept]
        if bartlett(means, dofs)[1] >= SIGNIFICANCE:
            break
        left_out.append(kept.pop(_most_extreme(means, dofs)).run_id)
    if not kept:
        return None
    dof = np.array([run.dof for run in kept], dtype=np.float64)
    stacked = np.stack([run.variance_db2 for run in kept])
    return PooledRepeatability(
        variance_db2=np.asarray(dof @ stacked / dof.sum()),
        dof=float(dof.sum()),
        runs=tuple(run.run_id for run in kept),
        left_out=tuple(left_out),
        sweeps=float(dof.sum() / np.sum(dof / np.array([run.sweeps for run in kept]))),
    )


def _most_extreme(means: Sequence[float], dofs: Sequence[float]) -> int:
    """Index of the run without which the others agree best."""
    if len(means) == 2:
        return int(np.argmin(means))

    def others_agree(index: int) -> float:
        rest = [place for place in range(len(means)) if place != index]
        return bartlett([means[i] for i in rest], [dofs[i] for i in rest])[0]

    return min(range(len(means)), key=others_agree)


def is_larger(
    variance_db2: FloatArray, dof: float, history: PooledRepeatability
) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Where a run's own variance is larger than its history explains, (P,)."""
    return is_larger_variance(variance_db2, dof, history.variance_db2, history.dof)


def is_larger_variance(
    variance_db2: FloatArray, dof: float, other_db2: FloatArray, other_dof: float
) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Where an estimated variance is larger than another one explains, (P,).

    One-sided F test (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.9).
    """
    from scipy.special import fdtri

    critical = float(fdtri(dof, other_dof, 1.0 - LARGER_SIGNIFICANCE))
    return np.asarray(variance_db2 > critical * other_db2)
