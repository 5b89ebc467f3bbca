"""Capability and normality against published examples and reference functions."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import nctdtr, ndtri

from harness.analysis.lots.capability import (
    capability,
    capability_sentence,
    measurement_share,
    measurement_share_sentence,
)
from harness.analysis.lots.noncentral import noncentral_t_cdf, noncentrality_for
from harness.analysis.lots.normality import anderson_darling


def values_with(count, mean, scatter, seed=0):
    x = np.random.default_rng(seed).standard_normal(count)
    return mean + scatter * (x - x.mean()) / x.std(ddof=1)


@pytest.mark.parametrize(
    ("count", "share", "confidence", "factor"),
    [
        (40, 0.90, 0.99, 1.9017), (43, 0.90, 0.99, 1.8740), (10, 0.90, 0.95, 2.355),
        (20, 0.90, 0.95, 1.926), (10, 0.95, 0.95, 2.911), (20, 0.95, 0.95, 2.396),
        (10, 0.99, 0.95, 3.981), (50, 0.99, 0.95, 2.862),
    ],
)  # fmt: skip
def test_the_lower_limit_is_that_of_one_sided_tolerance_factors(count, share, confidence, factor):
    """A mean `factor` standard deviations inside the limit shows, with `confidence`, that `share`
    of the population is inside, so the lower limit of 3 Ppk is the quantile of that share. Factors
    by the noncentral t: NIST/SEMATECH e-Handbook, 7.2.6.3 for 43 (from memory); 40 seen in a worked
    example after it; the others of M. G. Natrella, Experimental Statistics (NBS Handbook 91, 1963),
    Table A-7, with the last digit of later computations (from memory)."""
    x = values_with(count, 0.0, 1.0)
    found = capability(x, factor, confidence=2 * confidence - 1).performance
    assert found.value == pytest.approx(factor / 3)
    assert 3 * found.low == pytest.approx(ndtri(share), abs=8e-4)


@given(st.floats(0, 60), st.integers(1, 300), st.floats(-5, 60))
@settings(max_examples=40)
def test_noncentral_t_against_a_reference_function(t, dof, shift):
    """scipy.special.nctdtr, which gives up (nan) in a tail that is practically nothing."""
    ours = float(noncentral_t_cdf(t, dof, np.array(shift)))
    reference = float(nctdtr(dof, shift, t))
    if np.isnan(reference):
        assert ours < 1e-100
    else:
        assert ours == pytest.approx(reference, abs=2e-9)
    mirrored = float(noncentral_t_cdf(-t, dof, np.array(-shift)))
    assert mirrored == pytest.approx(1 - ours, abs=1e-12)
    back = noncentrality_for(t, dof, 0.9)
    assert float(noncentral_t_cdf(t, dof, np.array(back))) == pytest.approx(0.9, abs=1e-9)


def test_large_lots_keep_their_digits():
    """For many values T - noncentrality is normal with variance 1 + t^2 / (2 n)."""
    x = values_with(10_000, 1.0, 0.1)
    found = capability(x, 1.45, within_sd_db=0.1)
    half = 1.96 * np.sqrt(1 / 9e4 + 1.5**2 / 2e4)
    assert found.performance.high - 1.5 == pytest.approx(half, rel=0.01)
    assert found.potential.value == pytest.approx(1.5)
    # a mean moving range is worth 0.605 as many degrees of freedom
    width = (found.potential.high - found.potential.low) / (
        found.performance.high - found.performance.low
    )
    assert 1.0 < width == pytest.approx(np.sqrt(1 / 0.605), rel=0.03)


def test_degrees_of_freedom_of_a_mean_moving_range():
    """By simulation, against 0.605 (n - 1) for 40 values."""
    x = np.random.default_rng(5).standard_normal((20_000, 40))
    ranges = np.abs(np.diff(x, axis=1)).mean(axis=1)
    assert ranges.mean() ** 2 / (2 * ranges.var()) / 39 == pytest.approx(0.605, rel=0.03)


@given(
    st.integers(3, 40), st.integers(0, 999), st.floats(-2, 2), st.floats(0.05, 20), st.floats(-2, 4)
)
@settings(max_examples=20)
def test_indices_do_not_mind_units_or_order(count, seed, shift, scale, limit):
    x = np.random.default_rng(seed).standard_normal(count)
    first = capability(x, limit)
    again = capability(shift + scale * x[::-1], shift + scale * limit)
    for name in ("performance", "nonconforming"):
        one, other = getattr(first, name), getattr(again, name)
        assert (one.value, one.low, one.high) == pytest.approx(
            (other.value, other.low, other.high), abs=1e-7
        )
        assert one.low <= one.value <= one.high


@pytest.mark.parametrize(
    ("x", "limit", "message"),
    [
        ([1.0], 2.0, "at least two"), ([1.0, 1.0], 2.0, "alike"),
        ([np.nan, 1.0], 2.0, "at least two"), ([1.0, 2.0], np.nan, "upper limit"),
    ],
)  # fmt: skip
def test_too_little_to_say(x, limit, message):
    with pytest.raises(ValueError, match=message):
        capability(np.array(x), limit)


@pytest.mark.parametrize(
    ("limit", "count", "says"),
    [
        (5.5, 60, "room to spare"), (3.8, 100, "keeps its limit."), (1.0, 60, "does not keep"),
        (3.3, 8, "cannot tell"),
    ],
)  # fmt: skip
def test_the_sentence_follows_the_lower_limit(limit, count, says):
    assert says in capability_sentence(capability(values_with(count, 0.0, 1.0), limit))


def test_odd_values_are_named_in_the_sentence():
    x = np.exp(values_with(80, 0.0, 1.0))
    said = capability_sentence(capability(x, 20.0), anderson_darling(x))
    assert "not normally distributed" in said


STRENGTHS = {
    0.0840: (
        79.9109621761937, 77.9447436346388, 79.717168019752, 87.3547460860547, 76.2404769192413,
        75.7026911300246, 79.5952709280298, 76.7833784980155, 77.5791472067831, 78.4164523339268,
        79.2819398818745, 77.6346481930964, 81.2182937743241, 81.1826431730731, 86.0561762593461,
        82.1837784884495, 80.7564920650884, 79.3614980225488,
    ),
    0.465: (
        137.4438, 139.5395, 150.89, 141.4474, 141.8203, 151.8821, 143.9245, 132.9732, 136.6419,
        138.1723, 148.7668, 143.283, 143.5429, 141.7023, 137.4732, 152.338, 144.1589, 128.5218,
    ),
}  # fmt: skip
"""Strengths with the significance that the program STAT17 of MIL-HDBK-17 finds for normality, as
the open tests of a statistics library quote them."""


@pytest.mark.parametrize("significance", STRENGTHS)
def test_a_squared_of_published_data(significance):
    """MIL-HDBK-17-1F, 8.3.4: OSL = 1 / (1 + exp(-0.48 + 0.78 ln A* + 4.58 A*)), with
    A* = (1 + 4 / n - 25 / n^2) A^2 (from memory)."""
    found = anderson_darling(np.array(STRENGTHS[significance]))
    a = (1 + 4 / 18 - 25 / 18**2) * found.statistic
    assert 1 / (1 + np.exp(-0.48 + 0.78 * np.log(a) + 4.58 * a)) == pytest.approx(
        significance, abs=5e-4
    )


def test_two_digit_numbers_from_a_telephone_book():
    """W. J. Conover, Practical Nonparametric Statistics (1980), p. 364: mean 55.04, s 19.00, and
    A^2 0.3339 (from memory)."""
    x = [
        23, 36, 54, 61, 73, 23, 37, 54, 61, 73, 24, 40, 56, 62, 74, 27, 42, 57, 63, 75, 29, 43, 57,
        64, 77, 31, 43, 58, 65, 81, 32, 44, 58, 66, 87, 33, 45, 58, 68, 89, 33, 48, 58, 68, 93, 35,
        48, 59, 70, 97,
    ]  # fmt: skip
    found = anderson_darling(np.array(x, dtype=float))
    assert (np.mean(x), np.std(x, ddof=1)) == pytest.approx((55.04, 19.00), abs=0.006)
    assert found.statistic == pytest.approx(0.3339, abs=1e-4)
    assert not found.is_doubtful
    assert "Nothing speaks against" in found.sentence


def test_p_at_published_critical_values():
    """D'Agostino and Stephens (1986), Table 4.7, mean and variance unknown: 0.631, 0.752, 0.873 and
    1.035 at 10, 5, 2.5 and 1 %."""
    from harness.analysis.lots import normality

    for value, p in ((0.631, 0.10), (0.752, 0.05), (0.873, 0.025), (1.035, 0.01)):
        assert normality._p_value(value) == pytest.approx(p, rel=0.02)
    a = np.linspace(0.01, 40.0, 4000)
    assert np.all(np.diff([normality._p_value(v) for v in a]) <= 3e-3)


def test_normal_samples_are_rarely_doubted():
    rng = np.random.default_rng(2)
    doubted = np.mean([anderson_darling(row).is_doubtful for row in rng.normal(0, 1, (2000, 30))])
    assert 0.036 < doubted < 0.064


@pytest.mark.parametrize("x", [[], [1.0], [1.0, 2.0, 3.0], [0.3] * 20])
def test_too_few_to_test(x):
    found = anderson_darling(np.array(x))
    assert found.p_value is None
    assert not found.is_doubtful
    assert "too few, or too much alike" in found.sentence


def test_what_the_measurement_makes_of_the_spread():
    x = values_with(50, 1.0, 0.1)
    assert measurement_share(0.05, x) == pytest.approx(0.25)
    assert "25 %" in measurement_share_sentence(0.25)
    assert "less than 1 %" in measurement_share_sentence(0.001)
    assert "most of what looks like scatter" in measurement_share_sentence(0.8)
    assert "alike as far as" in measurement_share_sentence(1.5)
    assert np.isnan(measurement_share(0.05, np.array([1.0, 1.0])))
    assert "do not differ" in measurement_share_sentence(np.nan)
