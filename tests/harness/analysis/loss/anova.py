"""The analysis of variance of values that are all at hand, and Fisher's ratio of it."""

import numpy as np

from harness.analysis.loss.grouped import GroupedScatter
from harness.analysis.loss.repeatability import anova_of


def nested_anova(values, group):
    """Of values (N, P) by group (N,), counted from 0."""
    grouped = GroupedScatter(int(group.max()) + 1, values.shape[1])
    grouped.add(values, group)
    return anova_of(grouped)


def f_ratio(result, means):
    """Mean square between groups over that within, from the group means (I,)."""
    grand = np.average(means, weights=result.sizes)
    between_ms = np.sum(result.sizes * (means - grand) ** 2) / result.dof
    return between_ms / result.within_db[0] ** 2
