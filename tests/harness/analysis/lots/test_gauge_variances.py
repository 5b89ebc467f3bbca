"""Gauge studies: published data with their results, and what an analysis must not depend on."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.analysis.lots.gauge_intervals import combination_limits
from harness.analysis.lots.gauge_judgement import (
    GaugeStanding,
    judge_limit,
    judgement_sentences,
    misjudged,
    process_sentence,
)
from harness.analysis.lots.gauge_variances import analysis_of_variance, gauge_study

APPRAISERS = np.array([
    [[0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36],
     [0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25],
     [0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31]],
    [[0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68],
     [0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62],
     [0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50]],
    [[0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49],
     [-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77],
     [-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16]],
]).transpose(2, 0, 1)  # fmt: skip
"""AIAG, Measurement Systems Analysis, 4th edition, chapter III: 10 parts, 3 appraisers, 3 trials,
as reprinted in W. McNeese, Three Ways to Analyze a Gage R&R Study (2015); data and figures seen in
two open test suites that quote them."""

POWER_MODULES = np.array([
    [[37, 38, 37], [41, 41, 40], [41, 42, 41]], [[42, 41, 43], [42, 42, 42], [43, 42, 43]],
    [[30, 31, 31], [31, 31, 31], [29, 30, 28]], [[42, 43, 42], [43, 43, 43], [42, 42, 42]],
    [[28, 30, 29], [29, 30, 29], [31, 29, 29]], [[42, 42, 43], [45, 45, 45], [44, 46, 45]],
    [[25, 26, 27], [28, 28, 30], [29, 27, 27]], [[40, 40, 40], [43, 42, 42], [43, 43, 41]],
    [[25, 25, 25], [27, 29, 28], [26, 26, 26]], [[35, 34, 34], [35, 35, 34], [35, 34, 35]],
]).astype(float)  # fmt: skip
"""R. E. Houf and D. B. Berman, IEEE Trans. Components, Hybrids and Manufacturing Technology 11
(1988) 516-524: thermal resistance of power modules, with the results in D. C. Montgomery, Design
and Analysis of Experiments, chapter on random factors (all from memory; that data, sums of squares
and F ratios agree in every digit is the proof that they are recalled rightly)."""


def test_a_study_without_interaction():
    """Sums of squares, pooled components and percentages of the 10 x 3 x 3 data."""
    found = gauge_study(APPRAISERS)
    squares = [line.sum_of_squares for line in found.table]
    np.testing.assert_allclose(squares, [88.3619, 3.1673, 0.3590, 2.7589, 94.6471], atol=6e-5)
    assert [line.dof for line in found.table] == [9, 2, 18, 60, 89]
    assert found.is_pooled
    variances = [found.repeatability.variance, found.reproducibility.variance,
                 found.gauge.variance, found.item.variance, found.total.variance]  # fmt: skip
    np.testing.assert_allclose(variances, [0.0400, 0.0515, 0.0914, 1.0864, 1.1779], atol=1e-4)
    shares = [found.repeatability.sd, found.reproducibility.sd, found.gauge.sd, found.item.sd]
    percent = [100 * sd / found.total.sd for sd in shares]
    np.testing.assert_allclose(percent, [18.42, 20.90, 27.86, 96.04], atol=0.01)
    assert found.study_share.value == pytest.approx(0.2786, abs=5e-5)
    assert found.categories == 4.0


def test_a_study_with_interaction():
    """F ratios and components of the power modules."""
    found = gauge_study(POWER_MODULES)
    squares = [line.sum_of_squares for line in found.table]
    np.testing.assert_allclose(squares, [3935.96, 39.27, 48.51, 30.67, 4054.40], atol=0.006)
    ratios = [line.f_ratio for line in found.table[:3]]
    np.testing.assert_allclose(ratios, [162.27, 7.28, 5.27], atol=0.006)
    assert not found.is_pooled
    parts = (found.repeatability, found.operator, found.interaction, found.item)
    variances = [part.variance for part in parts]
    np.testing.assert_allclose(variances, [0.5111, 0.5646, 0.7280, 48.2926], atol=1e-4)
    # exact for repeatability: 60 x 0.5111 over the 97.5 and 2.5 % points of chi-square, 83.2977
    # and 40.4817 (any table)
    assert found.repeatability.sd_low**2 == pytest.approx(30.6667 / 83.2977, rel=1e-5)
    assert found.repeatability.sd_high**2 == pytest.approx(30.6667 / 40.4817, rel=1e-5)


def test_repeatability_of_the_e_handbook():
    """NIST/SEMATECH e-Handbook, 2.4.4: sum of squares 3.17635 with 300 degrees of freedom gives a
    repeatability of 0.1029; here with values that have that scatter in 60 cells of six."""
    rng = np.random.default_rng(3)
    y = rng.normal(0, 1, (12, 5, 6))
    within = y - y.mean(axis=2, keepdims=True)
    y = y.mean(axis=2, keepdims=True) * 3 + within * np.sqrt(3.17635 / np.sum(within**2))
    line = analysis_of_variance(y)[3]
    assert line.dof == 300
    assert np.sqrt(line.mean_square) == pytest.approx(0.1029, abs=5e-5)
    assert gauge_study(y).repeatability.sd == pytest.approx(0.1029, abs=5e-5)


shapes = st.tuples(st.integers(2, 7), st.integers(2, 5), st.integers(2, 5))


def drawn(shape, seed):
    p, o, _ = shape
    rng = np.random.default_rng(seed)
    return (
        rng.normal(0, 1, (p, 1, 1)) + rng.normal(0, 0.3, (1, o, 1))
        + rng.normal(0, rng.choice([0.0, 0.5]), (p, o, 1)) + rng.normal(0, 0.4, shape)
    )  # fmt: skip


@given(shapes, st.integers(0, 10**6))
@settings(max_examples=30)
def test_sums_of_squares_against_least_squares(shape, seed):
    """Each line is what the sum of squared residuals falls by when its term comes in."""
    y = drawn(shape, seed)
    p, o, _ = shape
    i, j, _ = np.meshgrid(*map(np.arange, shape), indexing="ij")
    columns = [np.ones((y.size, 1)), np.eye(p)[i.ravel()], np.eye(o)[j.ravel()],
               np.eye(p * o)[(i * o + j).ravel()]]  # fmt: skip
    left = []
    for last in range(1, 5):
        x = np.hstack(columns[:last])
        fitted = x @ np.linalg.lstsq(x, y.ravel(), rcond=None)[0]
        left.append(np.sum((y.ravel() - fitted) ** 2))
    expected = [left[0] - left[1], left[1] - left[2], left[2] - left[3], left[3], left[0]]
    found = [line.sum_of_squares for line in analysis_of_variance(y)]
    np.testing.assert_allclose(found, expected, atol=1e-9 * left[0])


@given(shapes, st.integers(0, 10**6), st.floats(-50, 50), st.floats(0.001, 50))
@settings(max_examples=30)
def test_units_zero_and_order_do_not_matter(shape, seed, shift, scale):
    y = drawn(shape, seed)
    rng = np.random.default_rng(seed)
    moved = shift + scale * y[rng.permutation(shape[0])][:, rng.permutation(shape[1])]
    moved = rng.permuted(moved, axis=2)
    one, other = gauge_study(y), gauge_study(moved)
    for name in ("repeatability", "operator", "interaction", "gauge", "item", "total"):
        first, second = getattr(one, name), getattr(other, name)
        figures = [(part.sd, part.sd_low, part.sd_high) for part in (first, second)]
        np.testing.assert_allclose(figures[1], scale * np.array(figures[0]), rtol=1e-5, atol=1e-7)
        assert first.sd_low <= first.sd <= first.sd_high
        assert first.variance >= 0.0
    assert one.total.variance == pytest.approx(one.gauge.variance + one.item.variance)
    assert one.study_share.low <= one.study_share.value <= one.study_share.high


def test_limits_of_one_mean_square_are_exact():
    """Chi-square with 10 degrees of freedom: 20.483 and 3.247 (any table)."""
    low, high = combination_limits([2.0], np.array([1.5]), [10])
    assert (low, high) == pytest.approx((30 / 20.483, 30 / 3.247), rel=2e-4)
    with pytest.raises(ValueError, match="degrees of freedom"):
        combination_limits([1.0], np.array([1.0]), [0])


@pytest.mark.parametrize(("first", "second"), [(9, 18), (2, 18), (4, 60)])
def test_limits_of_a_difference_are_those_of_the_f_test(first, second):
    """N. Ting et al. (1990): the limits of theta_1 - theta_2 are 0 just where the F test at the
    same level is on its edge."""
    from scipy.special import fdtri

    for probability, end in ((0.975, 0), (0.025, 1)):
        edge = np.array([float(fdtri(first, second, probability)), 1.0])
        limits = combination_limits([1.0, -1.0], 7.0 * edge, [first, second])
        assert float(limits[end]) == pytest.approx(0.0, abs=1e-6)
        beyond = combination_limits([1.0, -1.0], edge * [1.01 if end == 0 else 0.99, 1.0],
                                    [first, second])  # fmt: skip
        assert (float(beyond[end]) > 0.0) is (end == 0)


def test_limits_of_equal_parts_are_those_of_the_pool():
    """N. Ting et al. (1990): two positive terms that make a pooled estimate have the limit of
    chi-square with the sum of the degrees of freedom; 34.170 for 20 (any table)."""
    low, _ = combination_limits([0.25, 0.75, -1.0], np.array([2.0, 2.0, 1e-13]), [5, 15, 30])
    assert float(low) == pytest.approx(2.0 * 20 / 34.170, rel=1e-4)


def test_a_bench_without_scatter():
    y = np.broadcast_to(np.arange(5.0)[:, None, None], (5, 3, 2))
    found = gauge_study(y)
    assert found.gauge.variance == 0.0
    assert np.isinf(found.categories)
    assert found.study_share.value == 0.0
    assert "tells every item" in process_sentence(found)
    judged = judge_limit(found, 6.0)
    assert judged.standing is GaugeStanding.CAN
    assert judged.is_sure
    same = gauge_study(np.full((3, 2, 2), 0.1 + 0.2))
    assert same.total.variance == 0.0
    assert "do not differ" in process_sentence(same)


@pytest.mark.parametrize("shape", [(1, 3, 3), (5, 1, 3), (5, 3, 1)])
def test_what_is_no_study(shape):
    with pytest.raises(ValueError, match="at least 2 items"):
        gauge_study(np.zeros(shape))
    with pytest.raises(ValueError, match="a value of every"):
        gauge_study(np.full((2, 2, 2), np.nan))


@pytest.mark.parametrize("ratio", [0.1, 0.3, 1.0])
def test_misjudged_items_at_a_limit_in_the_middle(ratio):
    """W. F. Sheppard (1899): two correlated normal values have different signs with probability
    arccos(r) / pi; half of these are good items that fail, half bad ones that pass."""
    found = misjudged(0.7, 0.02, 0.02 * ratio, 0.7)
    expected = np.arccos(1 / np.hypot(1, ratio)) / np.pi
    assert found.good_failed == pytest.approx(expected, rel=1e-9)
    assert found.bad_passed == pytest.approx(expected, rel=1e-9)


@given(st.floats(-4, 4), st.floats(0.01, 3))
@settings(max_examples=40)
def test_misjudged_items_over_all_limits(limit, gauge):
    """The items that pass make the normal distribution of what is measured."""
    from scipy.special import ndtr

    found = misjudged(0.0, 1.0, gauge, limit)
    good = ndtr(limit)
    passed = good * (1 - found.good_failed) + (1 - good) * found.bad_passed
    assert passed == pytest.approx(ndtr(limit / np.hypot(1, gauge)), abs=1e-9)
    guarded = misjudged(0.0, 1.0, gauge, limit, guard_band=gauge)
    assert guarded.bad_passed <= found.bad_passed
    assert guarded.good_failed >= found.good_failed


@pytest.mark.parametrize(
    ("limit", "standing", "says"),
    [
        (30.0, GaugeStanding.CAN, "can judge the limit of 30 dB:"),
        (6.0, GaugeStanding.WITH_GUARD_BAND, "only with a guard band"),
        (2.4, GaugeStanding.CANNOT, "cannot judge"),
        (-9.0, GaugeStanding.UNKNOWN, "cannot be told"),
    ],
)
def test_the_verdict_in_words(limit, standing, says):
    study = gauge_study(APPRAISERS)
    judged = judge_limit(study, limit)
    said = " ".join(judgement_sentences(study, judged))
    assert judged.standing is standing
    assert says in said
    if standing is GaugeStanding.WITH_GUARD_BAND:
        assert "too small to be sure" in said
        assert "difference between operators" in said
    assert "4 groups" in process_sentence(study)


def test_a_single_group_is_none_that_is_told_apart():
    rng = np.random.default_rng(5)
    study = gauge_study(rng.normal(0.0, 1.0, (6, 3, 3)) + 0.6 * np.arange(6.0)[:, None, None])
    assert study.categories == 1.0
    assert process_sentence(study).startswith("It tells none of these items apart, too few")


def test_the_ratio_is_that_of_three_sigmas_to_the_room():
    study = gauge_study(APPRAISERS)
    judged = judge_limit(study, 1.0)
    within = study.item_means[study.item_means <= 1.0]
    assert 0 < len(within) < len(study.item_means)
    assert judged.reference == pytest.approx(within.mean())
    assert judged.precision_to_tolerance.value == pytest.approx(
        3 * study.gauge.sd / (1.0 - within.mean())
    )
