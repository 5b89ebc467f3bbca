"""Loss against a reference that moves in time."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.loss import insertion_losses, level_db, reference_weights


@given(drift=st.floats(-1, 1), loss=st.floats(0, 40), offset=st.floats(-60, 10))
def test_a_straight_drift_cancels(drift, loss, offset):
    """With the zero drifting in a straight line between two checks, every insertion reads the
    true loss."""
    time = np.arange(12.0)
    zero = offset + drift * time
    through, item = [0, 1, 10, 11], [3, 4, 6, 7]
    result = insertion_losses(
        zero[through][:, None], time[through], np.array([0, 0, 1, 1]),
        zero[item][:, None] - loss, time[item], np.array([0, 0, 1, 1]),
    )  # fmt: skip
    assert result.means_db == pytest.approx(np.full((2, 1), loss), abs=1e-9)
    assert result.reference_weights.sum() == pytest.approx(1.0)


@given(checks=st.lists(st.floats(0, 1e4), min_size=1, max_size=6, unique=True))
def test_weights_are_shares(checks):
    making = np.sort(checks)
    weights = reference_weights(making, np.linspace(-10.0, 1e4 + 10, 50))
    assert np.all(weights >= 0)
    assert weights.sum(axis=1) == pytest.approx(np.ones(50))


def test_insertions_count_alike_however_many_sweeps_they_have():
    zeros = np.zeros((1, 1))
    item = -np.array([1.0, 1.0, 1.0, 3.0])[:, None]
    result = insertion_losses(
        zeros, np.zeros(1), np.zeros(1, int), item, np.arange(4.0), np.array([7, 7, 7, 9])
    )
    assert result.mean_db == pytest.approx([2.0])
    assert result.insertion.tolist() == [0, 0, 0, 1]


def test_half_the_voltage_is_six_decibels():
    """By definition, 20 log10 0.5 = -6.0206 dB."""
    assert level_db(np.array([0.5j])) == pytest.approx([-6.0206], abs=1e-4)


def test_nothing_to_measure_against_is_an_error():
    nothing, some = np.zeros((0, 3)), np.zeros((2, 3))
    index = np.zeros(2, int)
    with pytest.raises(ValueError, match="through"):
        insertion_losses(nothing, np.zeros(0), np.zeros(0, int), some, np.zeros(2), index)
    with pytest.raises(ValueError, match="item"):
        insertion_losses(some, np.zeros(2), index, nothing, np.zeros(0), np.zeros(0, int))
