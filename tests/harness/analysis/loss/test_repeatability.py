"""Nested analysis of variance against published examples and scipy."""

import numpy as np
import pytest
from scipy import stats

from tests.harness.analysis.loss.anova import f_ratio, nested_anova

DAY_MEANS_V = [
    10.000172, 10.000116, 10.000013, 10.000144, 10.000106,
    10.000031, 10.000060, 10.000125, 10.000163, 10.000041,
]  # fmt: skip
DAY_SD_UV = [60, 77, 111, 101, 67, 93, 80, 73, 88, 86]


def five_with(mean, sd):
    """Five values with exactly this mean and standard deviation."""
    pattern = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    return mean + sd * pattern / pattern.std(ddof=1)


def test_voltage_standard_of_the_gum():
    """GUM H.5, ten days of five readings (values as in suncal): s of the day means 57 uV,
    pooled within-day s 85 uV, F 2.25 (published from rounded figures: to 0.02), u of the mean
    18 uV with 9 degrees of freedom."""
    values = np.concatenate(
        [five_with(m, s * 1e-6) for m, s in zip(DAY_MEANS_V, DAY_SD_UV, strict=True)]
    )
    result = nested_anova(values[:, None], np.repeat(np.arange(10), 5))
    assert round(result.of_means_db[0] * 1e6) == 57
    assert round(result.within_db[0] * 1e6) == 85
    assert f_ratio(result, DAY_MEANS_V) == pytest.approx(2.25, abs=0.02)
    assert round(result.of_means_db[0] / np.sqrt(10) * 1e6) == 18
    assert result.dof == 9


def test_homogeneity_of_gum_5_sums():
    """Against scipy.stats.f_oneway, an independent implementation, with unequal groups."""
    rng = np.random.default_rng(5)
    groups = [rng.normal(size=n) for n in (8, 9, 6, 10)]
    values = np.concatenate(groups)
    labels = np.repeat(np.arange(4), [8, 9, 6, 10])
    result = nested_anova(values[:, None], labels)
    means = [group.mean() for group in groups]
    assert f_ratio(result, means) == pytest.approx(stats.f_oneway(*groups).statistic)
    assert result.of_means_db[0] == pytest.approx(np.std(means, ddof=1))


def test_one_insertion_cannot_tell_its_repeatability():
    result = nested_anova(np.ones((4, 2)), np.zeros(4, dtype=int))
    assert np.all(np.isnan(result.of_means_db))
    assert result.within_dof == 3


def test_two_sweeps_have_one_degree_of_freedom():
    """Standard deviation of a and b: |a - b| / sqrt 2."""
    result = nested_anova(np.array([[1.0], [1.5]]), np.zeros(2, dtype=int))
    assert result.within_dof == 1
    assert result.within_db == pytest.approx([0.5 / np.sqrt(2)])


def test_components_are_recovered():
    """2,000 simulated sets: mean squared components within 3 standard errors of the truth."""
    rng = np.random.default_rng(11)
    sets, groups, each, between, within = 2000, 5, 4, 0.02, 0.01
    values = np.repeat(rng.normal(0, between, (groups, sets)), each, axis=0)
    values = values + rng.normal(0, within, (groups * each, sets))
    result = nested_anova(values, np.repeat(np.arange(groups), each))
    expected = between**2 + within**2 / each
    standard_error = expected * np.sqrt(2.0 / (groups - 1) / sets)
    assert np.mean(result.of_means_db**2) == pytest.approx(expected, abs=3 * standard_error)
