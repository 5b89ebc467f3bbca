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
    between_db: FloatArray
    """Standard deviation between insertions without the within scatter, never negative;
    nan for I = 1."""
    f_ratio: FloatArray
    """Mean square between over mean square within; nan where either is missing."""

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


def nested_anova(values: FloatArray, group: IntArray) -> Repeatability:
    """One-way nested analysis of variance of `values` (N, P) by `group` (N,), as `anova_of`."""
    labels, index = np.unique(group, return_inverse=True)
    grouped = GroupedScatter(len(labels), values.shape[1])
    grouped.add(values, index)
    return anova_of(grouped)


def anova_of(grouped: GroupedScatter) -> Repeatability:
    """One-way nested analysis of variance, unequal group sizes allowed.

    JCGM 100:2008, H.5.2. With unequal sizes n_i the between component uses
    n0 = (N - sum n_i^2 / N) / (I - 1).
    """
    sizes, means, groups = grouped.sizes, grouped.means, len(grouped.sizes)
    count = int(sizes.sum())
    within_dof = count - groups
    within_ms = grouped.within_squares / max(within_dof, 1)
    nothing = np.full_like(within_ms, np.nan)
    if groups == 1:
        return Repeatability(sizes, within_dof, np.sqrt(within_ms), nothing, nothing, nothing)
    weights = sizes[:, None]
    grand = np.sum(weights * means, axis=0) / count
    between_ms = np.sum(weights * (means - grand) ** 2, axis=0) / (groups - 1)
    n0 = (count - np.sum(sizes**2) / count) / (groups - 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        f_ratio = between_ms / within_ms if within_dof else nothing
    return Repeatability(
        sizes=sizes,
        within_dof=within_dof,
        within_db=np.sqrt(within_ms),
        of_means_db=np.asarray(np.std(means, axis=0, ddof=1)),
        between_db=np.sqrt(np.maximum(between_ms - within_ms, 0.0) / n0),
        f_ratio=np.asarray(f_ratio),
    )
