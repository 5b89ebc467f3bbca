"""Nested analysis of variance: scatter between insertions and within them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray, IntArray
from harness.analysis.loss.grouped import GroupedScatter


@dataclass(frozen=True)
class Repeatability:
    """Arrays have the trailing shape of the values, (P,); I groups."""

    sizes: IntArray
    """(I,) values in each group."""
    within_dof: int
    within_db: FloatArray
    """Standard deviation of single sweeps within an insertion; 0 with one sweep each."""
    of_means_db: FloatArray
    """Standard deviation of the insertion means (within scatter included); nan for I = 1."""

    @property
    def groups(self) -> int:
        """How many groups."""
        return len(self.sizes)

    @property
    def mean_share(self) -> float:
        """Variance of the noise in a group's mean over that of one value, averaged over the
        groups."""
        return float(np.mean(1.0 / self.sizes))

    @property
    def dof(self) -> int:
        """Degrees of freedom of `of_means_db`, and of the standard uncertainty of the mean,
        s / sqrt(I), which is right whether or not the insertions differ significantly
        (JCGM 100:2008, H.5.2.5)."""
        return self.groups - 1


def anova_of(grouped: GroupedScatter) -> Repeatability:
    """One-way nested analysis of variance, unequal group sizes allowed (JCGM 100:2008, H.5.2)."""
    sizes, means = grouped.sizes, grouped.means
    within_dof = int(sizes.sum()) - len(sizes)
    within_db = np.sqrt(grouped.within_squares / max(within_dof, 1))
    of_means_db = (
        np.std(means, axis=0, ddof=1) if len(sizes) > 1 else np.full_like(within_db, np.nan)
    )
    return Repeatability(sizes, within_dof, within_db, np.asarray(of_means_db))
