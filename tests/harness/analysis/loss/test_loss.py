"""Loss against a reference that moves in time."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.loss.band import BandReadings
from harness.analysis.loss.loss import level_db, reference_line
from harness.analysis.loss.reduction import reduced


def bench(through_db, through_time, making, item_db, item_time, insertion):
    """Readings of these levels, (K, P) and (N, P)."""

    def readings(values_db):
        return (10.0 ** (np.asarray(values_db) / 20.0)).astype(complex)[:, None, :]

    return BandReadings(
        np.linspace(1e9, 2e9, np.shape(item_db)[1]), ("S21",), readings(through_db),
        np.asarray(through_time, float), np.asarray(making), readings(item_db),
        np.asarray(item_time, float), np.asarray(insertion),
    )  # fmt: skip


@given(drift=st.floats(-1, 1), loss=st.floats(0, 40), offset=st.floats(-60, 10))
def test_a_straight_drift_cancels(drift, loss, offset):
    """With the zero drifting in a straight line between two checks, every insertion reads the
    true loss."""
    time = np.arange(12.0)
    zero = offset + drift * time
    through, item = [0, 1, 10, 11], [3, 4, 6, 7]
    band = reduced(
        bench(
            zero[through][:, None], time[through], [0, 0, 1, 1],
            zero[item][:, None] - loss, time[item], [0, 0, 1, 1],
        )
    )  # fmt: skip
    assert band.found.losses.means_db == pytest.approx(np.full((2, 1), loss), abs=1e-9)
    assert band.found.losses.reference_weights.sum() == pytest.approx(1.0)
    assert band.series.loss_db == pytest.approx(np.full(4, loss), abs=1e-9)
    opening = offset + drift * 0.5
    assert band.series.uncorrected_db == pytest.approx(opening - zero[item] + loss, abs=1e-9)


@given(
    checks=st.lists(st.floats(0, 1e4), min_size=1, max_size=6, unique=True),
    seed=st.integers(0, 2**32 - 1),
)
def test_the_reference_is_the_line_between_checks(checks, seed):
    """Against numpy.interp, an independent implementation of the same line."""
    check_time, time = np.sort(checks), np.linspace(-10.0, 1e4 + 10, 50)
    rng = np.random.default_rng(seed)
    check_db, weight = rng.normal(size=(len(checks), 1)), rng.random(50)
    line = reference_line(check_time, time)
    direct_db = np.interp(time, check_time, check_db[:, 0])
    assert line.at(slice(None), check_db)[:, 0] == pytest.approx(direct_db)
    assert line.at(slice(3, 7), check_db)[:, 0] == pytest.approx(direct_db[3:7])
    shares = line.check_shares(weight, len(checks))
    assert np.all(shares >= 0)
    assert shares @ check_db[:, 0] == pytest.approx(weight @ direct_db)


def test_a_check_that_no_insertion_lies_at_has_no_share():
    line = reference_line(np.array([0.0, 10.0, 20.0]), np.array([2.5, 10.0]))
    assert line.check_shares(np.array([1.0, 2.0]), 3) == pytest.approx([0.75, 2.25, 0.0])
    for time, shares in ((2.5, [0.75, 0.25, 0.0]), (12.5, [0.0, 0.75, 0.25])):
        line = reference_line(np.array([0.0, 10.0, 20.0]), np.array([time]))
        assert line.check_shares(np.array([1.0]), 3) == pytest.approx(shares)


def test_insertions_count_alike_however_many_sweeps_they_have():
    item = -np.array([1.0, 1.0, 1.0, 3.0])[:, None]
    band = reduced(bench(np.zeros((1, 1)), [0.0], [0], item, np.arange(1.0, 5.0), [7, 7, 7, 9]))
    assert band.found.losses.mean_db == pytest.approx([2.0])
    assert band.series.insertion.tolist() == [0, 0, 0, 1]


def test_half_the_voltage_is_six_decibels():
    """By definition, 20 log10 0.5 = -6.0206 dB."""
    assert level_db(np.array([0.5j])) == pytest.approx([-6.0206], abs=1e-4)


def test_nothing_to_measure_against_is_an_error():
    nothing, some = np.zeros((0, 3)), np.zeros((2, 3))
    with pytest.raises(ValueError, match="through"):
        reduced(bench(nothing, [], np.zeros(0, int), some, [1.0, 2.0], [0, 0]))
    with pytest.raises(ValueError, match="item"):
        reduced(bench(some, [1.0, 2.0], [0, 0], nothing, [], np.zeros(0, int)))
