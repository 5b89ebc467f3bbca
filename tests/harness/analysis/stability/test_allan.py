"""Allan deviation against NIST SP 1065 (Riley, 2008), pages 107 and 108."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.stability.allan import (
    allan_table,
    equivalent_dof,
    noise_exponent,
    overlapping_allan_deviation,
)

NINE = np.array([892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0])
"""The 9-point frequency set of NBS Monograph 140, annex 8.E, as SP 1065 quotes it."""


def thousand():
    """The 1000-point set: n(i+1) = 16807 n(i) mod 2147483647 from 1234567890, over the modulus."""
    number, found = 1234567890, []
    for _ in range(1000):
        found.append(number / 2147483647)
        number = 16807 * number % 2147483647
    return np.array(found)


def digits(value, printed):
    """The value as the table prints it, with as many significant digits."""
    return f"{value:#.{len(printed.lstrip('0.').replace('.', ''))}g}"


@pytest.mark.parametrize(("factor", "printed"), [(1, "91.22945"), (2, "85.95287")])
def test_the_nine_points_to_every_printed_digit(factor, printed):
    assert digits(overlapping_allan_deviation(NINE, factor)[0], printed) == printed


@pytest.mark.parametrize(
    ("factor", "printed"), [(1, "0.2922319"), (10, "0.09159953"), (100, "0.03241343")]
)
def test_the_thousand_points_to_every_printed_digit(factor, printed):
    values = thousand()
    assert [round(float(x), 6) for x in (values.max(), values.min())] == [0.995745, 0.001372]
    assert digits(overlapping_allan_deviation(values, factor)[0], printed) == printed


@given(
    st.lists(st.floats(-5.0, 5.0), min_size=8, max_size=40),
    st.integers(1, 4),
    st.sets(st.integers(0, 39), max_size=6),
)
def test_gaps_leave_exactly_the_pairs_without_one(values, factor, gaps):
    """Against the definition, pair by pair."""
    series = np.array(values)
    series[[gap for gap in gaps if gap < len(series)]] = np.nan
    squares = []
    for start in range(len(series) - 2 * factor + 1):
        both = series[start : start + 2 * factor]
        if np.all(np.isfinite(both)):
            squares.append((both[factor:].mean() - both[:factor].mean()) ** 2)
    found, pairs = overlapping_allan_deviation(series, factor)
    assert pairs == len(squares)
    if squares:
        assert found == pytest.approx(np.sqrt(np.mean(squares) / 2.0), abs=1e-9)
    else:
        assert np.isnan(found)


@pytest.mark.parametrize(("exponent", "integrations"), [(0, 0), (-2, 1), (2, -1)])
def test_the_kind_of_noise_is_identified(exponent, integrations):
    """White noise, its sum and its difference have these exponents by definition."""
    rng = np.random.default_rng(3)
    for _ in range(20):
        values = rng.normal(size=400)
        values = np.cumsum(values) if integrations > 0 else values
        values = np.diff(values) if integrations < 0 else values
        # what alternates lies at the edge of the estimate's range
        assert abs(noise_exponent(values) - exponent) <= (exponent > 0)
    assert noise_exponent(np.arange(20.0)) is None


def test_degrees_of_freedom_are_those_of_the_variance():
    """Drawn: a variance with nu degrees of freedom scatters by sqrt(2 / nu) of itself."""
    rng = np.random.default_rng(8)
    draws = rng.normal(size=(600, 128))
    for exponent, series in ((0, draws), (-2, np.cumsum(draws, axis=1))):
        for factor in (1, 4, 16):
            found = [overlapping_allan_deviation(row, factor) for row in series]
            variance = np.array([deviation**2 for deviation, _ in found])
            seen = 2.0 * variance.mean() ** 2 / variance.var()
            assert equivalent_dof(found[0][1], factor, exponent) == pytest.approx(seen, rel=0.3)


def test_the_table_doubles_its_times_and_holds_its_deviation():
    table = allan_table(thousand(), 60.0)
    assert table.averaging_s.tolist() == [60.0 * 2**k for k in range(8)]
    assert np.all((table.low < table.deviation) & (table.deviation < table.high))
    assert table.pairs[0] == 999
    empty = allan_table(np.full(20, np.nan), 1.0)
    assert len(empty.averaging_s) == 0
