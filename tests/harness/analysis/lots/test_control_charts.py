"""Control charts: constants against published tables, run rules, and what charts do not mind."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from harness.analysis.lots.control_charts import (
    RUN_RULES,
    chart_constants,
    individuals_chart,
    means_and_ranges_chart,
    run_signals,
    signal_runs,
)

TABLE = {
    2: (1.880, 1.128, 0.853, 0.0, 3.267, 2.660),
    3: (1.023, 1.693, 0.888, 0.0, 2.574, 1.772),
    4: (0.729, 2.059, 0.880, 0.0, 2.282, 1.457),
    5: (0.577, 2.326, 0.864, 0.0, 2.114, 1.290),
    6: (0.483, 2.534, 0.848, 0.0, 2.004, 1.184),
    7: (0.419, 2.704, 0.833, 0.076, 1.924, 1.109),
    8: (0.373, 2.847, 0.820, 0.136, 1.864, 1.054),
    9: (0.337, 2.970, 0.808, 0.184, 1.816, 1.010),
    10: (0.308, 3.078, 0.797, 0.223, 1.777, 0.975),
    15: (0.223, 3.472, 0.756, 0.347, 1.653, None),
    20: (0.180, 3.735, 0.729, 0.415, 1.585, None),
}
"""A2 d2 d3 D3 D4 of Table A.22, Factors for Constructing Control Charts (seen), and E2 of ASTM
STP 15D (from memory). D4 of 3 is printed 2.574 there, from rounded d2 and d3; it is 2.5746."""


@pytest.mark.parametrize("size", TABLE)
def test_constants_are_those_of_the_table(size):
    found = chart_constants(size)
    *factors, e2 = TABLE[size]
    a2 = 3 / (found.d2 * np.sqrt(size))
    ours = (a2, found.d2, found.d3, found.D3, found.D4)
    # half of the last digit, D3 and D4 a whole one as they are made of rounded ones
    for value, printed, slack in zip(
        ours, factors, (5.1e-4, 5.1e-4, 5.5e-4, 1e-3, 1e-3), strict=True
    ):
        assert value == pytest.approx(printed, abs=slack)
    if e2 is not None:
        assert abs(3 / found.d2 - e2) < 1.6e-3


def test_constants_to_more_digits():
    """Table A.1, Shewhart constants for control charts, to four decimals (seen), and the closed
    forms of two values: d2 = 2 / sqrt(pi), d3 = sqrt(2 - 4 / pi)."""
    table = {
        2: (1.1284, 0.8525, 1.8800, 3.2665),
        3: (1.6926, 0.8884, 1.0233, 2.5746),
        4: (2.0588, 0.8798, 0.7286, 2.2821),
    }
    for size, printed in table.items():
        c = chart_constants(size)
        np.testing.assert_allclose(
            (c.d2, c.d3, 3 / (c.d2 * np.sqrt(size)), c.D4), printed, atol=5.1e-5
        )
    two = chart_constants(2)
    assert two.d2 == pytest.approx(2 / np.sqrt(np.pi), rel=1e-13)
    assert two.d3 == pytest.approx(np.sqrt(2 - 4 / np.pi), rel=1e-11)
    with pytest.raises(ValueError, match="2 to 25"):
        chart_constants(26)


def test_individuals_of_the_e_handbook():
    """NIST/SEMATECH e-Handbook, 6.3.2.2: ten flow rates; centre 50.81, limits 55.8041 and 45.8159
    with d2 = 1.128, mean moving range 1.8778 (from memory)."""
    chart = individuals_chart(
        np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    )
    assert chart.location.centre[0] == pytest.approx(50.81)
    assert chart.location.upper[0] == pytest.approx(55.8041, abs=0.002)
    assert chart.location.lower[0] == pytest.approx(45.8159, abs=0.002)
    assert chart.spread.centre[0] == pytest.approx(1.8778, abs=1e-4)
    assert np.isnan(chart.spread.values[0])
    assert not chart.location.signalled.any()
    assert "10 points" in chart.notes[0]


@pytest.mark.parametrize(
    ("z", "rule", "where"),
    [
        ([0, 3.1, 0], "beyond 3 sigma", [1]),
        ([0, -3.1, 3.0], "beyond 3 sigma", [1]),
        ([2.1, 0, 2.1, 0], "2 of 3 beyond 2 sigma", [2]),
        ([2.1, 2.1, 0, 2.1], "2 of 3 beyond 2 sigma", [1, 3]),
        ([2.1, -2.1, 0, -2.1], "2 of 3 beyond 2 sigma", [3]),
        ([2.1, 0, 0, 2.1], "2 of 3 beyond 2 sigma", []),
        ([1.1, 1.1, 0, 1.1, 1.1, 0], "4 of 5 beyond 1 sigma", [4]),
        ([-1.1, -1.1, -1.1, -1.1], "4 of 5 beyond 1 sigma", [3]),
        ([1.1, 1.1, -1.1, 1.1, -1.1], "4 of 5 beyond 1 sigma", []),
        ([0.1] * 9, "8 on one side", [7, 8]),
        ([-0.1] * 7 + [0.1], "8 on one side", []),
        ([0.0] * 12, "8 on one side", []),
        ([2.1, np.nan, np.nan, 2.1], "2 of 3 beyond 2 sigma", [3]),
    ],
)
def test_run_rules(z, rule, where):
    """Western Electric, Statistical Quality Control Handbook (1956), rules 1 to 4 (from memory)."""
    found = run_signals(np.array(z, dtype=float))
    assert np.flatnonzero(found[rule]).tolist() == where
    assert list(found) == [each.name for each in RUN_RULES]


def test_false_alarms_are_as_stated():
    """By the binomial distribution, for a point that completes a pattern."""
    p = ndtr(-np.array([3.0, 2.0, 1.0]))
    at_least_three = 4 * p[2] ** 3 * (1 - p[2]) + p[2] ** 4
    exact = (2 * p[0], 2 * p[1] * (1 - (1 - p[1]) ** 2), 2 * p[2] * at_least_three, 2 / 2**8)
    stated = [rule.false_alarm for rule in RUN_RULES]
    np.testing.assert_allclose(stated, exact, atol=5.1e-5)


def test_points_to_the_first_alarm():
    """C. W. Champ and W. H. Woodall, Technometrics 29 (1987) 393-399: 91.75 on average for the four
    rules together (from memory)."""
    rng = np.random.default_rng(7)
    z = rng.standard_normal((1600, 800))
    first = [int(np.argmax(np.logical_or.reduce(list(run_signals(row).values())))) for row in z]
    assert np.mean(first) + 1 == pytest.approx(91.75, abs=3.5 * 88 / np.sqrt(1600))


values = st.lists(st.integers(-1000, 1000).map(lambda n: n / 1000), min_size=2, max_size=30)


@given(values, st.floats(-5, 5), st.floats(0.1, 10))
@settings(max_examples=30)
def test_limits_move_with_the_values(points, shift, scale):
    x = np.array(points)
    chart, moved = individuals_chart(x), individuals_chart(shift + scale * x)
    np.testing.assert_allclose(
        moved.location.upper, shift + scale * chart.location.upper, atol=1e-9
    )
    np.testing.assert_allclose(moved.spread.upper, scale * chart.spread.upper, atol=1e-9)
    assert np.all(chart.location.lower <= chart.location.centre)


@given(st.integers(2, 10), st.integers(3, 12), st.integers(0, 10**6))
@settings(max_examples=20)
def test_equal_subgroups_follow_the_handbook_and_order_within_does_not_matter(n, groups, seed):
    """X-bar-bar + A2 R-bar, D3 R-bar, D4 R-bar."""
    rng = np.random.default_rng(seed)
    x = rng.normal(1.0, 0.1, (groups, n))
    chart, constants = means_and_ranges_chart(x), chart_constants(n)
    mean_range = np.ptp(x, axis=1).mean()
    np.testing.assert_allclose(
        chart.location.upper, x.mean() + 3 / (constants.d2 * np.sqrt(n)) * mean_range
    )
    np.testing.assert_allclose(chart.spread.upper, constants.D4 * mean_range)
    np.testing.assert_allclose(chart.spread.lower, constants.D3 * mean_range)
    mixed = means_and_ranges_chart(rng.permuted(x, axis=1))
    np.testing.assert_allclose(mixed.location.values, chart.location.values)
    assert mixed.sigma == pytest.approx(chart.sigma)


def test_unequal_subgroups_have_their_own_limits():
    x = np.array([[1.0, 1.2, 1.1], [1.1, np.nan, 1.3], [np.nan, 1.2, np.nan], [np.nan] * 3])
    chart = means_and_ranges_chart(x)
    sigma = 0.2 * (1 / chart_constants(3).d2 + 1 / chart_constants(2).d2) / 2
    assert chart.sigma == pytest.approx(sigma)
    width = chart.location.upper - chart.location.centre
    np.testing.assert_allclose(width[:3], 3 * sigma / np.sqrt([3, 2, 1]))
    assert np.isnan(width[3])
    assert np.isnan(chart.spread.values[2])
    assert not chart.location.signalled.any()
    assert not chart.spread.signalled.any()


def test_a_missing_value_has_no_range():
    chart = individuals_chart(np.array([1.0, np.nan, 5.0, 5.1, np.inf, 5.2, 5.0]))
    np.testing.assert_allclose(chart.spread.values, [np.nan] * 3 + [0.1] + [np.nan] * 2 + [0.2])
    assert chart.sigma == pytest.approx(0.15 / chart_constants(2).d2)


@pytest.mark.parametrize("value", [0.0, 0.1 + 0.2, -7.3])
def test_identical_values_break_no_rule(value):
    chart = individuals_chart(np.full(40, value))
    assert chart.sigma == 0.0
    assert signal_runs(chart.location) == []
    assert not chart.spread.signalled.any()
    assert "all alike" in chart.notes[0]
    assert means_and_ranges_chart(np.full((5, 3), value)).sigma == 0.0


def test_a_shift_is_named():
    x = np.random.default_rng(3).normal(0.5, 0.01, 60)
    x[40:] += 0.04
    found = dict(signal_runs(individuals_chart(x).location))
    assert "eight successive points on one side of the centre line" in found


@pytest.mark.parametrize("make", [
    lambda: individuals_chart(np.array([1.0])),
    lambda: individuals_chart(np.array([1.0, np.nan, 2.0])),
    lambda: means_and_ranges_chart(np.array([[1.0], [2.0]])),
    lambda: means_and_ranges_chart(np.array([1.0, 2.0])),
])  # fmt: skip
def test_too_little_to_chart(make):
    with pytest.raises(ValueError, match=r"needs|rows of a table"):
        make()
