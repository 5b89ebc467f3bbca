"""A lot's summary: outliers against a published example, drift and counts."""

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import linregress

from harness.analysis.lots.lot_band import LotBand, drift, histogram, slope, summarize
from harness.analysis.lots.outliers import find_outliers

ROSNER = np.array([
    -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65,
    1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24,
    2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59,
    3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
])  # fmt: skip
PUBLISHED = (
    3.118906, 2.942973, 3.179424, 2.810181, 2.815580, 2.848172, 2.279327, 2.310366, 2.101581,
    2.067178,
)  # fmt: skip
HOUR = 3600.0


def test_outliers_of_the_published_example():
    """B. Rosner, Technometrics 25 (1983) 165-172; NIST/SEMATECH e-Handbook, 1.3.5.17.3: the first
    ten extreme deviates (seen in the handbook's program output), three outliers at 5 %."""
    from harness.analysis.lots.outliers import _peeled

    found = find_outliers(ROSNER)
    assert sorted(ROSNER[found.index]) == [5.34, 5.42, 6.01]
    deviates = _peeled(ROSNER - np.median(ROSNER), 10)[2]
    np.testing.assert_allclose(deviates, PUBLISHED, atol=1e-6)
    assert found.sentence.startswith("3 above the rest stand apart from 54")


@pytest.mark.parametrize("count", [25, 100])
def test_false_alarms_are_as_rare_as_stated(count):
    rng = np.random.default_rng(count)
    alarms = np.mean([len(find_outliers(x).index) > 0 for x in rng.normal(0, 1, (1000, count))])
    assert 0.03 < alarms < 0.075


@given(st.integers(15, 80), st.integers(0, 10**6), st.floats(-3, 3), st.floats(0.01, 100))
@settings(max_examples=40)
def test_outliers_do_not_mind_units_order_or_sign(count, seed, shift, scale):
    rng = np.random.default_rng(seed)
    x = rng.standard_normal(count)
    x[: count // 10] += 9.0
    found = find_outliers(x)
    order = rng.permutation(count)
    moved = find_outliers(shift - scale * x[order])
    assert set(order[moved.index]) == set(found.index)
    assert set(range(count // 10)) <= set(found.index)
    np.testing.assert_allclose(np.sort(-moved.score), np.sort(found.score), rtol=1e-6)
    assert np.all(np.diff(np.abs(found.score)) <= 0.0)


def test_outliers_at_the_lower_end_and_beside_identical_values():
    x = np.concatenate([np.random.default_rng(1).normal(1.0, 0.01, 50), [0.2, np.nan]])
    found = find_outliers(x)
    assert found.index.tolist() == [50]
    assert found.score[0] < 0.0
    assert "1 below the rest stands" in found.sentence
    assert find_outliers(np.append(np.full(50, 1.1), 1.3)).index.tolist() == [50]
    assert not len(find_outliers(np.full(50, 0.1 + 0.2)).index)
    assert "too few" in find_outliers(np.arange(10.0)).sentence
    assert find_outliers(np.ones(1)).sentence.startswith("1 value is too few")
    assert "No outliers among 30" in find_outliers(np.arange(30.0)).sentence


def lot_of(count, seed=0, bad=0, drift_db=0.0, zero_db=0.0):
    rng = np.random.default_rng(seed)
    at = np.linspace(0.0, 1.0, count)
    zero = zero_db * at + rng.normal(0, 2e-4, count)
    loss = rng.normal(0.45, 0.01, count) + drift_db * at + zero
    loss[:bad] += 0.3
    margin = 0.6 - loss
    return LotBand(
        items=tuple(f"PIG-{number:04d}" for number in range(count)),
        time=1.79e9 + 60.0 * np.arange(count),
        loss_db=loss,
        guard_band_db=np.full(count, 0.05),
        limit_db=np.full(count, 0.6),
        margin_db=margin,
        expected_db=np.full(count, 0.45),
        zero_change_db=zero,
        zero=np.full(count, np.nan),
    )


def test_a_lot_with_bad_items():
    found = summarize(lot_of(60, bad=6))
    assert found.count == 60
    assert set(range(6)) == set(found.outliers.index)
    assert found.inside_guard_band == 0


def test_ten_thousand_items_take_milliseconds():
    band = lot_of(10_000, bad=900)
    summarize(band)
    started = time.process_time()
    summarize(band)
    assert time.process_time() - started < 0.1


@given(st.lists(st.floats(-1e3, 1e3), max_size=200), st.integers(1, 80))
def test_every_value_is_in_one_bin(values, most):
    found = histogram(np.array([*values, np.nan]), most)
    assert found.counts.sum() == len(values)
    assert 1 <= len(found.counts) <= most
    assert len(found.edges) == len(found.counts) + 1
    assert np.all(np.diff(found.edges) > 0.0)


def test_width_of_the_bins():
    """Freedman and Diaconis: 2 IQR / cbrt N; numpy's own estimator."""
    x = np.random.default_rng(4).normal(0.5, 0.02, 500)
    edges = np.histogram_bin_edges(x, bins="fd")
    np.testing.assert_allclose(histogram(x).edges, edges)


def test_slope_against_a_reference_function():
    """scipy.stats.linregress, with Student's t for 98 degrees of freedom (1.98447)."""
    rng = np.random.default_rng(8)
    hours = np.sort(rng.uniform(0, 9, 100))
    y = 0.5 + 0.002 * hours + rng.normal(0, 0.01, 100)
    found, expected = slope(1.79e9 + hours * HOUR, y), linregress(hours, y)
    assert found.per_hour == pytest.approx(expected.slope, rel=1e-7)
    assert found.high - found.per_hour == pytest.approx(1.984467 * expected.stderr, rel=1e-6)
    assert found.over_whole == pytest.approx(expected.slope * np.ptp(hours), rel=1e-7)
    assert slope(np.array([1.0, 1.0, 1.0]), np.arange(3.0)) is None
    assert slope(np.array([1.0, 2.0]), np.arange(2.0)) is None


@pytest.mark.parametrize(
    ("drift_db", "zero_db", "says"),
    [
        (0.05, 0.0, "The losses drift by +0.0"), (0.0, 0.08, "the bench moves, not the process"),
        (0.0, 0.0, "The losses do not drift"),
    ],
)  # fmt: skip
def test_drift_of_the_process_against_that_of_the_zero(drift_db, zero_db, says):
    band = lot_of(200, seed=2, drift_db=drift_db, zero_db=zero_db)
    found = drift(band.time, band.loss_db, band.zero_change_db)
    assert says in found.sentence
    if zero_db:
        share = np.corrcoef(band.loss_db, band.zero_change_db)[0, 1] ** 2
        assert f"{100 * share:.0f} % of the variance" in found.sentence


def test_outliers_are_left_out_of_the_drift():
    band = lot_of(100, bad=5)
    assert not summarize(band).drift.process.is_significant
    assert drift(band.time, band.loss_db, band.zero_change_db).process.per_hour < -0.01


def test_what_is_not_known_is_told():
    band = lot_of(50)
    nothing = np.full(50, np.nan)
    assert "not known" in drift(band.time, band.loss_db, nothing).sentence
    assert "Too few items" in drift(nothing, band.loss_db, nothing).sentence
    assert "variance" not in drift(band.time, band.loss_db, np.zeros(50)).sentence
    single = summarize(lot_of(1))
    assert single.count == 1
    assert single.drift.process is None
    with pytest.raises(ValueError, match="as many figures as items"):
        summarize(LotBand(("a",), *[np.zeros(2)] * 8))
