"""Analyses of variance and tests of equal variances against published examples."""

import numpy as np
import pytest

from harness.analysis.loss.pooling import PooledRepeatability, RunScatter, bartlett, is_larger, pool
from tests.harness.analysis.loss.anova import f_ratio, nested_anova

HOMOGENEITY = [
    [0.424577, 0.425167, 0.425379, 0.424522, 0.424805],
    [0.425572, 0.425411, 0.423638, 0.425301, 0.424527],
    [0.424152, 0.425517, 0.425638, 0.424207, 0.425135],
    [0.42632, 0.424672, 0.425211, 0.425533, 0.425864],
    [0.424855, 0.425079, 0.425413, 0.424729, 0.424725],
    [0.425104, 0.424773, 0.426424, 0.424266, 0.424632],
    [0.42575, 0.424917, 0.424779, 0.425086, 0.425318],
    [0.425547, 0.426483, 0.424631, 0.425968, 0.42462],
    [0.426326, 0.424646, 0.425205, 0.426302, 0.42502],
    [0.425968, 0.424069, 0.425988, 0.425489, 0.423936],
]
FOUR_BY_TEN = [
    [0.999156418, 0.999474238, 0.999339856, 1.000160754, 1.000744245,
     1.000737791, 1.000495481, 0.9995736, 1.000723728, 1.00060071],
    [1.000349612, 0.999883249, 0.999050897, 1.00017474, 0.999602596,
     1.000824172, 0.999356241, 0.999806955, 1.000643518, 1.000444615],
    [0.999757491, 0.999817772, 1.000194482, 0.999679647, 1.000937242,
     1.000470251, 0.999027869, 0.999911651, 0.999590441, 1.000451023],
    [0.999719098, 0.99964781, 1.000822782, 0.999409639, 0.999109266,
     1.000785761, 0.999307039, 1.000469276, 1.000654864, 1.000987112],
]  # fmt: skip
GEAR_DIAMETERS = [
    [1.006, 0.996, 0.998, 1.000, 0.992, 0.993, 1.002, 0.999, 0.994, 1.000],
    [0.998, 1.006, 1.000, 1.002, 0.997, 0.998, 0.996, 1.000, 1.006, 0.988],
    [0.991, 0.987, 0.997, 0.999, 0.995, 0.994, 1.000, 0.999, 0.996, 0.996],
    [1.005, 1.002, 0.994, 1.000, 0.995, 0.994, 0.998, 0.996, 1.002, 0.996],
    [0.998, 0.998, 0.982, 0.990, 1.002, 0.984, 0.996, 0.993, 0.980, 0.996],
    [1.009, 1.013, 1.009, 0.997, 0.988, 1.002, 0.995, 0.998, 0.981, 0.996],
    [0.990, 1.004, 0.996, 1.001, 0.998, 1.000, 1.018, 1.010, 0.996, 1.002],
    [0.998, 1.000, 1.006, 1.000, 1.002, 0.996, 0.998, 0.996, 1.002, 1.006],
    [1.002, 0.998, 0.996, 0.995, 0.996, 1.004, 1.004, 0.998, 0.999, 0.991],
    [0.991, 0.995, 0.984, 0.994, 0.997, 0.997, 0.991, 0.998, 1.004, 0.997],
]


def anova(groups):
    values = np.concatenate([np.asarray(group, float) for group in groups])
    labels = np.repeat(np.arange(len(groups)), [len(group) for group in groups])
    return nested_anova(values[:, None], labels)


def test_homogeneity_of_ten_units():
    """JCGM GUM-5:2026, example 12 (as quoted in public files): MSB 3.25e-7, MSW 4.90e-7."""
    result = anova(HOMOGENEITY)
    within_ms = result.within_db[0] ** 2
    assert f"{within_ms:.2e}" == "4.90e-07"
    assert f"{within_ms * f_ratio(result, np.mean(HOMOGENEITY, axis=1)):.2e}" == "3.25e-07"


def test_four_groups_of_ten():
    """Lecture example in suncal's tests, checked there with a spreadsheet: F 0.0850416,
    repeatability 624.4e-6 with 36 degrees of freedom, standard deviation of the group means
    57.6e-6; with groups of 10, 8, 9 and 6 F is 0.23239."""
    result = anova(FOUR_BY_TEN)
    # the data are rounded to nine decimals
    assert f_ratio(result, np.mean(FOUR_BY_TEN, axis=1)) == pytest.approx(0.0850416, abs=1.5e-7)
    assert f"{result.within_db[0] * 1e6:.1f}" == "624.4"
    assert result.within_dof == 36
    assert f"{result.of_means_db[0] * 1e6:.1f}" == "57.6"
    uneven = [row[:size] for row, size in zip(FOUR_BY_TEN, (10, 8, 9, 6), strict=True)]
    means = [np.mean(row) for row in uneven]
    assert f"{f_ratio(anova(uneven), means):.5f}" == "0.23239"


def test_pooled_repeatability_of_a_gauge():
    """NIST/SEMATECH e-Handbook of Statistical Methods, 2.4.4: sums of squares of five wafers with
    60 degrees of freedom each, 3.17635 in all with 300; s 0.1029 (derived)."""
    squares = [0.48115, 0.69209, 0.48483, 1.21752, 0.30076]
    total = sum(s / 60.0 * 60 for s in squares)
    assert total == pytest.approx(3.17635, abs=2e-5)
    # the wafers differ significantly, so the pool as such is formed without the test
    runs = [RunScatter(str(i), np.array([s / 60.0]), 60, 1.0) for i, s in enumerate(squares)]
    pooled = sum(run.dof * run.variance_db2[0] for run in runs) / 300.0
    assert f"{np.sqrt(pooled):.4f}" == "0.1029"
    kept = pool(runs)
    assert kept is not None
    assert len(kept.left_out) > 0


def test_gear_diameters_differ_in_variance():
    """NIST/SEMATECH e-Handbook, 1.3.5.7, GEAR.DAT (from memory): Bartlett's statistic 20.786 for
    ten batches of ten, above the 5 % point of chi-squared with 9 degrees of freedom, 16.919."""
    variances = np.var(GEAR_DIAMETERS, axis=1, ddof=1)
    statistic, probability = bartlett(list(variances), [9.0] * 10)
    assert f"{statistic:.3f}" == "20.786"
    assert probability < 0.05


def test_two_batches_of_ceramic_do_not_differ_in_variance():
    """NIST/SEMATECH e-Handbook, 1.3.5.9, JAHANMI2.DAT (from memory): standard deviations 65.54909
    and 61.85425 with 239 degrees of freedom each, F 1.1230; not significant."""
    history = PooledRepeatability(np.array([61.85425**2]), 239.0, ("second batch",), ())
    assert f"{65.54909**2 / history.variance_db2[0]:.3f}" == "1.123"
    assert not is_larger(np.array([65.54909**2]), 239.0, history)[0]
