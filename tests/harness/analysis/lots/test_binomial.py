"""Shares and their confidence intervals, against scipy."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from harness.analysis.lots.binomial import Share


@given(st.integers(1, 5000), st.floats(0, 1), st.sampled_from([0.9, 0.95, 0.999]))
def test_the_interval_is_the_one_of_clopper_and_pearson(trials, fraction, confidence):
    """scipy.stats.binomtest(...).proportion_ci(method="exact")."""
    count = round(fraction * trials)
    expected = binomtest(count, trials).proportion_ci(confidence, "exact")
    low, high = Share(count, trials).interval(confidence)
    assert low == pytest.approx(expected.low, rel=1e-6, abs=1e-12)
    assert high == pytest.approx(expected.high, rel=1e-6, abs=1e-12)


def test_a_count_between_two_whole_ones_lies_between_their_intervals():
    below, between, above = (Share(count, 400).interval() for count in (380, 380.5, 381))
    assert below[0] < between[0] < above[0]
    assert below[1] < between[1] < above[1]
