"""Charts of items that share a zero: false signals at the stated rate, real ones seen."""

import numpy as np
import pytest
from scipy.stats import chi2

from harness.analysis.lots.control_charts import individuals_chart
from harness.analysis.lots.lot_band import drift
from harness.analysis.lots.shared_zeros import (
    OUTSIDE,
    share_zeros,
    shared_zeros_chart,
    subgroups,
)
from tests.long_cases import long

EVERY = 10


def sound_lot(rng, zeros=29, item_db=0.01, zero_db=0.02):
    """Losses of a process in control, against zeros that are off by `zero_db` each and joined by
    lines in time, as a run evaluates them; with the zeros and the times."""
    off = rng.normal(0.0, zero_db, zeros + 1)
    count = EVERY * zeros
    time = 60.0 * np.arange(count) + 30.0
    between = np.interp(time, 60.0 * EVERY * np.arange(zeros + 1), off)
    zero = np.repeat(np.arange(zeros, dtype=np.float64), EVERY)
    return 0.3 + rng.normal(0.0, item_db, count) + between, zero, time


@pytest.mark.parametrize("zero_db", [0.001, *long(0.02, 0.1)])
def test_false_signals_come_at_the_stated_rate(zero_db):
    """200 lots of 290 sound items: of means and of scatters 0.27 % are beyond their limits, or a
    little more since these are estimates too (0.5 % is 3 standard deviations of the count more).
    Judged one by one, of items with common zeros far more are."""
    rng = np.random.default_rng(1)
    means = scatters = alone = 0
    for _ in range(200):
        values, zero, time = sound_lot(rng, zero_db=zero_db)
        chart = shared_zeros_chart(values, zero, time)
        means += chart.location.signalled.sum()
        scatters += chart.spread.signalled.sum()
        alone += individuals_chart(values).location.signalled.sum()
    points = 200 * 29
    assert means / points <= 0.005
    assert scatters / points <= 0.005
    if zero_db > 0.01:
        assert alone / (200 * 290) > 0.1


def test_the_scatter_within_a_zero_is_that_about_its_line():
    """A zero that was lost to the next check tilts its items; what is left is theirs alone."""
    rng = np.random.default_rng(2)
    values, zero, time = sound_lot(rng, zeros=2000, zero_db=1.0)
    found = subgroups(values, zero, time)
    # chi-square with n - 2 degrees of freedom (two for the line)
    assert found.dof.tolist() == [EVERY - 2] * 2000
    squares = found.dof * np.square(found.scatter / 0.01)
    assert np.mean(squares) == pytest.approx(EVERY - 2, rel=0.05)
    limits = shared_zeros_chart(values, zero, time).spread
    sigma = np.sqrt(np.mean(np.square(found.scatter)))
    assert limits.upper[-1] == pytest.approx(
        sigma * np.sqrt(chi2.isf(OUTSIDE / 2, EVERY - 2) / (EVERY - 2))
    )
    assert limits.lower[0] == pytest.approx(
        sigma * np.sqrt(chi2.ppf(OUTSIDE / 2, EVERY - 2) / (EVERY - 2))
    )


def test_a_process_that_jumps_is_seen():
    rng = np.random.default_rng(3)
    values, zero, time = sound_lot(rng, zero_db=0.005)
    values[150:160] += 0.08
    chart = shared_zeros_chart(values, zero, time)
    assert np.flatnonzero(chart.location.signalled).tolist() == [159]
    values[150:160:2] += 0.2
    assert 159 in np.flatnonzero(shared_zeros_chart(values, zero, time).spread.signalled)


def test_items_that_are_left_out_and_zeros_of_one_item():
    values, zero, time = sound_lot(np.random.default_rng(4), zeros=4)
    values[EVERY : 2 * EVERY - 1] = np.nan
    found = subgroups(values, zero, time)
    assert found.last.tolist() == [9, 19, 29, 39]
    assert found.dof.tolist() == [8, 0, 8, 8]
    assert np.isnan(found.scatter[1])
    assert found.mean[1] == values[19]
    chart = shared_zeros_chart(values, zero, time)
    assert np.flatnonzero(np.isfinite(chart.location.values)).tolist() == [9, 19, 29, 39]
    assert "still rough" in " ".join(chart.notes)


def test_who_shares_a_zero():
    assert not share_zeros(np.array([1.0, 2.0, np.nan, np.nan]))
    assert share_zeros(np.array([1.0, 2.0, 1.0]))


def test_with_one_zero_the_items_are_judged_about_its_line():
    """Whatever the zero was lost to, up to the next check, is not theirs."""
    values, zero, time = sound_lot(np.random.default_rng(5), zeros=1)
    tilted = values + 0.5 + 1e-3 * (time - time[0])
    chart, straight = (shared_zeros_chart(each, zero, time) for each in (tilted, values))
    assert np.isfinite(chart.location.values).all()
    assert chart.sigma == pytest.approx(straight.sigma)
    tilted[4] += 0.3
    assert shared_zeros_chart(tilted, zero, time).location.signalled[4]
    assert shared_zeros_chart(np.full(3, np.nan), np.zeros(3), np.arange(3.0)) is None


@pytest.mark.long
def test_a_process_that_stands_still_is_rarely_said_to_drift():
    """95 % limits: of 300 lots in control 5 % may be said to; with each item counted by itself
    common zeros make that many times as many."""
    rng = np.random.default_rng(6)
    told = alone = 0
    for _ in range(300):
        values, zero, time = sound_lot(rng)
        nothing = np.zeros(len(values))
        told += drift(time, values, nothing, zero=zero).process.is_significant
        alone += drift(time, values, nothing).process.is_significant
    assert told / 300 <= 0.07
    assert alone / 300 > 0.2
