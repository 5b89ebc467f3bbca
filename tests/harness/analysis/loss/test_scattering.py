"""The item as a two-port: what was put between the leads comes out again."""

from dataclasses import replace

import numpy as np
import pytest

from harness.analysis.loss.band import BandReadings
from harness.analysis.loss.scattering import item_scattering

FORWARD, REVERSE = 0.5 * np.exp(0.7j), 0.4 * np.exp(-0.3j)
LOSS_DB = -20.0 * np.log10(0.5)
TRACES = ("S11", "S21", "S12", "S22")


def readings(*, turned=0.0, drift_db=0.0, insertions=((50.0, 0.0),), traces=TRACES):
    """Leads of 0.3 and 0.2 with phases of their own, checked at 0 and 100 s, between which the
    forward one turns and drifts; insertions of one sweep, each at a time and with a turn of its
    own. Two points, which differ by a factor of 0.9."""

    def leads(time):
        moved = 10 ** (drift_db * time / 100.0 / 20.0) * np.exp(1j * turned * time / 100.0)
        return np.array([0.1, 0.3 * np.exp(1j) * moved, 0.2 * np.exp(2j), 0.1])

    through = np.array([leads(time) for time in (0.0, 100.0)])
    item = np.array([
        leads(time) * np.array([1.0, FORWARD * np.exp(1j * own), REVERSE * np.exp(1j * own), 1.0])
        for time, own in insertions
    ])  # fmt: skip
    rows = [TRACES.index(name) for name in traces]
    points = np.array([1.0, 0.9])
    return BandReadings(
        np.array([1e9, 2e9]), traces,
        through[:, rows, None] * np.ones(2), np.array([0.0, 100.0]), np.arange(2),
        item[:, rows, None] * points, np.array([time for time, _ in insertions]),
        np.arange(len(insertions)),
    )  # fmt: skip


def stated_db(loss_db=LOSS_DB):
    return loss_db - 20.0 * np.log10([1.0, 0.9])


def test_both_ways_come_out_with_their_phases():
    found = item_scattering(readings(), stated_db())
    assert found.s[:, 1, 0] == pytest.approx([FORWARD, 0.9 * FORWARD])
    assert found.s[:, 0, 1] == pytest.approx([REVERSE, 0.9 * REVERSE])
    assert np.all(found.s[:, [0, 1], [0, 1]] == 0.0)
    assert (found.has_reverse, found.is_cut_off) == (True, False)
    assert found.frequency_hz.tolist() == [1e9, 2e9]


def test_it_is_against_the_through_at_the_same_time():
    """The reference lies on the line between its checks; half-way of two phasors of one length is
    half of the angle between them."""
    found = item_scattering(readings(turned=0.4, drift_db=0.2), stated_db())
    assert found.s[:, 1, 0] == pytest.approx([FORWARD, 0.9 * FORWARD])
    assert found.s[:, 0, 1] == pytest.approx([REVERSE, 0.9 * REVERSE])


def test_phases_of_the_insertions_are_averaged():
    found = item_scattering(
        readings(insertions=((20.0, -0.3), (50.0, 0.0), (80.0, 0.3))), stated_db()
    )
    assert np.angle(found.s[:, 1, 0]) == pytest.approx([0.7, 0.7])
    assert np.abs(found.s[:, 1, 0]) == pytest.approx([0.5, 0.45])


def test_what_the_stated_loss_holds_beyond_the_readings_is_in_both_ways():
    """0.1 dB of a through adapter."""
    found = item_scattering(readings(), stated_db(LOSS_DB + 0.1))
    less = 10 ** (-0.1 / 20)
    assert found.s[:, 1, 0] == pytest.approx(np.array([1.0, 0.9]) * FORWARD * less)
    assert found.s[:, 0, 1] == pytest.approx(np.array([1.0, 0.9]) * REVERSE * less)


def test_without_a_reverse_reading_it_is_the_forward_one():
    found = item_scattering(readings(traces=("S11", "S21")), stated_db())
    assert found.s[:, 0, 1] == pytest.approx(found.s[:, 1, 0])
    assert found.has_reverse is False


def test_what_is_above_one_is_cut_off():
    found = item_scattering(readings(), stated_db(-0.5))
    assert np.abs(found.s[:, 1, 0]) == pytest.approx([1.0, 0.9 * 10 ** (0.5 / 20)])
    assert found.is_cut_off
    assert not item_scattering(readings(), stated_db(0.0)).is_cut_off


def test_magnitudes_alone_have_no_phase():
    scalar = replace(readings(traces=("S21",)), traces=("transmission",))
    with pytest.raises(ValueError, match="there is no phase"):
        item_scattering(scalar, stated_db())
