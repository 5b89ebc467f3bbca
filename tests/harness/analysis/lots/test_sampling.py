"""Sampling plans against published tables, exact fractions and brute force."""

from fractions import Fraction
from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import hypergeom

from harness.analysis.lots.sampling import (
    QualityPoint,
    SamplingPlan,
    acceptance_of_defectives,
    acceptance_probability,
    bad_items,
    consumer_sample,
    quality_accepted_with,
    smallest_plan,
)
from tests.long_cases import examples


def exactly(c, lot, bad, n):
    """P(at most c of n are bad) as a fraction."""
    ways = sum(comb(bad, k) * comb(lot - bad, n - k) for k in range(c + 1) if k <= n)
    return Fraction(ways, comb(lot, n))


@st.composite
def lots(draw, largest=400):
    lot = draw(st.integers(1, largest))
    n = draw(st.integers(1, lot))
    return lot, draw(st.integers(0, lot)), n, draw(st.integers(0, n))


@given(lots())
@examples(20, 80)
def test_hypergeometric_is_exact(drawn):
    lot, bad, n, c = drawn
    expected = exactly(c, lot, bad, n)
    assert float(acceptance_of_defectives(SamplingPlan(n, c, lot), bad)) == pytest.approx(
        float(expected), rel=1e-12, abs=1e-300
    )


def test_a_large_lot_keeps_its_digits():
    plan = SamplingPlan(1233, 18, 100_000)
    for bad in (500, 1500, 3000):
        assert float(acceptance_of_defectives(plan, bad)) == pytest.approx(
            float(exactly(18, 100_000, bad, 1233)), rel=1e-12
        )


def test_operating_characteristic_of_the_e_handbook():
    """NIST/SEMATECH e-Handbook, 6.2.3.2: n = 52, c = 3; the operating characteristic, from
    the binomial distribution (from memory)."""
    share = np.arange(1, 13) / 100
    plan = SamplingPlan(52, 3)
    chance = acceptance_probability(plan, share)
    published = [
        .998, .980, .930, .845, .739, .620, .502, .394, .300, .223, .162, .115,
    ]  # fmt: skip
    np.testing.assert_allclose(chance, published, atol=1.1e-3)


LETTER_J = {
    0: (0.013, 0.064, 0.132, 0.359, 0.863, 1.72, 2.84, 3.68, 5.59),
    1: (0.188, 0.444, 0.666, 1.202, 2.09, 3.33, 4.78, 5.80, 8.00),
    2: (0.550, 1.03, 1.38, 2.16, 3.33, 4.84, 6.52, 7.66, 10.1),
}


@pytest.mark.parametrize("number", LETTER_J)
def test_tabulated_operating_characteristics(number):
    """MIL-STD-105E, Table X-J (ISO 2859-1, Table 10-J): percent bad at which 99, 95, ... 1 % of
    lots are accepted, n = 80 (from memory)."""
    plan = SamplingPlan(80, number)
    found = [
        100 * quality_accepted_with(plan, probability)
        for probability in (0.99, 0.95, 0.90, 0.75, 0.50, 0.25, 0.10, 0.05, 0.01)
    ]
    np.testing.assert_allclose(found, LETTER_J[number], rtol=0.008, atol=5e-4)


def test_limiting_quality_of_the_code_letters():
    """MIL-STD-105E, Table II-A for n and Ac (seen), Table VI-A for the percent bad that is
    accepted with 10 % (from memory)."""
    none_may_fail = {
        2: 68,
        3: 54,
        5: 37,
        8: 25,
        13: 16,
        20: 11,
        32: 6.9,
        50: 4.5,
        80: 2.8,
        125: 1.8,
    }
    one_may_fail = {13: 27, 20: 18, 32: 12, 50: 7.6, 80: 4.8, 125: 3.1}
    for number, table in enumerate((none_may_fail, one_may_fail)):
        for size, percent in table.items():
            found = 100 * quality_accepted_with(SamplingPlan(size, number), 0.10)
            assert float(f"{found:.2g}") == pytest.approx(percent, rel=0.02), (size, number)


def test_plans_of_the_master_table_at_their_quality_level():
    """MIL-STD-105E, Table II-A, AQL 1.0 (n and Re seen): the larger the sample, the surer a lot of
    that quality is accepted, from 0.88 to 0.99 (4.9.1 of the standard says so in words; figures
    from memory)."""
    plans = (
        (13, 0),
        (50, 1),
        (80, 2),
        (125, 3),
        (200, 5),
        (315, 7),
        (500, 10),
        (800, 14),
        (1250, 21),
    )
    chances = [float(acceptance_probability(SamplingPlan(n, c), 0.01)) for n, c in plans]
    assert chances[0] == pytest.approx(0.88, abs=0.005)
    assert chances[-1] == pytest.approx(0.99, abs=0.01)
    assert min(chances) == chances[0]


def test_limiting_quality_plans_for_isolated_lots():
    """ISO 2859-2, procedure A: n and Ac at a limiting quality, consumer's risk below 10 % (from
    memory)."""
    for percent, size in ((3.15, 125), (5.0, 80), (8.0, 50), (12.5, 32), (20.0, 20)):
        assert acceptance_probability(SamplingPlan(size, 1), percent / 100) < 0.10


def test_lot_tolerance_plans():
    """MIL-PRF-19500, table of lot tolerance percent defective, 90 % confidence: samples for 0, 1
    and 2 failures (from memory; below 3 % it goes by the Poisson distribution and asks for one
    or two more)."""
    table = {
        20: (11, 18, 25), 15: (15, 25, 34), 10: (22, 38, 52), 7: (32, 55, 75), 5: (45, 77, 105),
        3: (76, 129, 176),
    }  # fmt: skip
    for percent, sizes in table.items():
        found = [consumer_sample(QualityPoint(percent / 100, 0.10), c) for c in range(3)]
        assert found == list(sizes), percent


def test_two_worked_examples():
    """A. Birolini, Reliability Engineering (2007), 7.1: LTPD 2 %, c = 1 gives 195 by the Poisson
    distribution. S. Hilliard (2006): n = 68, c = 2 accepts 1.213 % bad with 0.95 and 8.9704 %
    with 0.05."""
    assert consumer_sample(QualityPoint(0.02, 0.10), 1) == pytest.approx(195, abs=1)
    plan = SamplingPlan(68, 2)
    assert quality_accepted_with(plan, 0.95) == pytest.approx(0.01213, abs=5e-6)
    assert quality_accepted_with(plan, 0.05) == pytest.approx(0.089704, abs=5e-7)


def test_no_failures_to_demonstrate():
    """The usual 59, 22 and 299 (common practice), and finite lots: R. M. Cannon and R. T. Roe,
    Livestock Disease Surveys (1982), table of samples that find one with 95 % (from memory)."""
    assert consumer_sample(QualityPoint(0.05, 0.05), 0) == 59
    assert consumer_sample(QualityPoint(0.10, 0.10), 0) == 22
    assert consumer_sample(QualityPoint(0.01, 0.05), 0) == 299
    table = {
        (100, 0.10): 25, (100, 0.05): 45, (100, 0.02): 78, (100, 0.01): 95, (1000, 0.01): 258,
        (1000, 0.02): 138, (1000, 0.05): 57, (1000, 0.10): 29, (10_000, 0.01): 294,
    }  # fmt: skip
    for (lot, share), size in table.items():
        assert consumer_sample(QualityPoint(share, 0.05), 0, lot) == size


@given(
    lot=st.integers(4, 60),
    good=st.sampled_from([0.0, 0.02, 0.05, 0.1]),
    apart=st.sampled_from([0.1, 0.2, 0.4]),
    risks=st.sampled_from([(0.05, 0.1), (0.2, 0.2), (0.01, 0.05)]),
)
@settings(max_examples=15)
def test_no_smaller_plan_serves(lot, good, apart, risks):
    """By trying every smaller one."""
    points = QualityPoint(good, risks[0]), QualityPoint(good + apart, risks[1])
    allowed = bad_items(good, lot, at_most=True)
    reached = bad_items(good + apart, lot, at_most=False)

    def number_that_serves(n):
        """The first acceptance number with which a sample of n meets both; None: there is none."""
        found = np.arange(n)
        accepted = [hypergeom.cdf(found, lot, bad, n) for bad in (allowed, reached)]
        serves = (1 - accepted[0] <= risks[0] + 1e-9) & (accepted[1] <= risks[1] + 1e-9)
        return int(np.flatnonzero(serves)[0]) if serves.any() else None

    plan = smallest_plan(*points, lot)
    assert number_that_serves(plan.sample_size) == plan.acceptance_number
    assert not any(number_that_serves(n) is not None for n in range(1, plan.sample_size))


def test_no_smaller_plan_serves_a_process():
    """The same for large plans, which are not searched for from the beginning."""
    for good, bad in ((0.01, 0.05), (0.05, 0.07), (0.30, 0.35)):
        points = QualityPoint(good, 0.05), QualityPoint(bad, 0.10)
        plan = smallest_plan(*points)
        for number in range(plan.acceptance_number):
            size = consumer_sample(points[1], number)
            assert 1 - acceptance_probability(SamplingPlan(size, number), good) > 0.05


@given(lots(120))
@settings(max_examples=20)
def test_more_bad_items_are_accepted_less_often(drawn):
    lot, _, n, c = drawn
    plan = SamplingPlan(n, c, lot)
    accepted = acceptance_of_defectives(plan, np.arange(lot + 1))
    assert accepted[0] == pytest.approx(1.0)
    assert np.all(np.diff(accepted) <= 1e-12)
    if n < lot:
        larger = acceptance_of_defectives(SamplingPlan(n + 1, c, lot), np.arange(lot + 1))
        assert np.all(larger <= accepted + 1e-12)


def test_a_large_lot_is_a_process():
    share = np.array([0.0, 0.005, 0.01, 0.03, 0.1])
    lot = acceptance_probability(SamplingPlan(80, 2, 5_000_000), share)
    np.testing.assert_allclose(lot, acceptance_probability(SamplingPlan(80, 2), share), atol=2e-5)


@pytest.mark.parametrize(
    ("good", "bad", "lot", "message"),
    [
        (QualityPoint(0.05, 0.05), QualityPoint(0.05, 0.1), None, "must be below"),
        (QualityPoint(0.01, 0.0), QualityPoint(0.05, 0.1), None, "a risk of 0 %"),
        (QualityPoint(0.01, 0.5), QualityPoint(0.05, 0.6), None, "below 100 %"),
        (QualityPoint(0.10, 0.05), QualityPoint(0.10 + 1e-12, 0.1), 100, "the same number of bad"),
        (QualityPoint(0.010, 1e-4), QualityPoint(0.0100001, 1e-4), None, "more than 100000"),
    ],
)
def test_points_that_exclude_each_other(good, bad, lot, message):
    with pytest.raises(ValueError, match=message):
        smallest_plan(good, bad, lot)


def test_lots_that_differ_by_one_item_are_told_apart_by_checking_nearly_all():
    plan = smallest_plan(QualityPoint(0.04, 0.05), QualityPoint(0.042, 0.1), 300)
    assert 270 < plan.sample_size <= 300
