"""Readings that came before are known again, and honest ones are not taken for them."""

import numpy as np
import pytest

from drivers.instruments.earlier_readings import EarlierReadings
from drivers.instruments.reading_step import step_db
from drivers.sweep import SCALAR
from tests.long_cases import long

VECTOR = ("S11", "S21", "S12", "S22")
POINTS = 51
FREQUENCY = np.linspace(0.0, 1.0, POINTS)
QUIET_DB, USUAL_DB = 1e-4, 1.5e-3
"""Trace noise of a narrow and of a usual bandwidth."""


def vector(random, noise_db=USUAL_DB, digits=None):
    """A sweep of four traces, of which S12 has the response of S21."""
    size = np.array([0.05, 0.1, 0.1, 0.04])[:, np.newaxis] * np.exp(6j * FREQUENCY)
    parts = random.standard_normal((2, 4, POINTS)) * noise_db / 8.686
    readings = size * (1.0 + parts[0] + 1j * parts[1])
    if digits is not None:
        readings = np.round(readings.real, digits) + 1j * np.round(readings.imag, digits)
    return readings


def scalar(random, step, noise_db=USUAL_DB, loss_db=0.0):
    """A sweep in dB, in steps, as magnitudes."""
    level = -20.0 - loss_db - 0.5 * FREQUENCY + noise_db * random.standard_normal(POINTS)
    level = level if step is None else step * np.round(level / step)
    return (10.0 ** (level / 20.0)).astype(complex)[np.newaxis]


@pytest.fixture
def random():
    return np.random.default_rng(1)


@pytest.mark.parametrize(
    ("values", "step"),
    [
        (np.array([-20.1, -20.3, -19.8]), 0.1),
        (np.array([-20.125, -20.25, -20.5]), 0.001),
        (1.7 + 0.05 * np.arange(20), 0.05),
        (0.3 + np.arange(40) / 128.0, 1 / 128),
        (-20.0 + np.sqrt(np.arange(1.0, 50.0)), 0.0),
        (np.full(11, -19.3), 0.1),
    ],
)
def test_the_step_of_levels_is_seen(values, step):
    assert step_db((10.0 ** (values / 20.0)).astype(complex)) == pytest.approx(step, rel=0.01)


def test_the_step_of_ratios_and_of_watts_is_seen(random):
    readings = vector(random, digits=4)[1]
    assert step_db(readings) == pytest.approx(8.686 * 1e-4 / np.median(np.abs(readings)), rel=0.01)
    watts = np.round(np.abs(scalar(random, None)[0]) ** 2, 5)
    of_watts = step_db(np.sqrt(watts).astype(complex))
    assert of_watts == pytest.approx(4.343 * 1e-5 / np.median(watts), rel=0.05)
    assert step_db(np.full(5, np.nan, complex)) == 0.0


@pytest.mark.parametrize("noise_db", [QUIET_DB, USUAL_DB])
@pytest.mark.parametrize("digits", [None, 7])
def test_a_trace_that_came_before_is_known(random, noise_db, digits):
    earlier = EarlierReadings()
    sweeps = [vector(random, noise_db, digits) for _ in range(5)]
    for sweep in sweeps:
        assert earlier.take(VECTOR, sweep, "band") == ("", "")
    what, hint = earlier.take(VECTOR, sweeps[1].copy(), "another band")
    assert what.startswith("S11 came as the very same numbers as in an earlier sweep")
    assert "trigger" in hint


def test_one_trace_of_an_earlier_sweep_under_any_name_is_known(random):
    earlier = EarlierReadings()
    first, second = vector(random), vector(random)
    earlier.take(VECTOR, first, "band")
    second[1] = first[0]
    assert earlier.take(VECTOR, second, "band")[0].startswith("S21 came as")


@pytest.mark.parametrize("old", [slice(25, None), slice(0, 20), slice(40, None)])
def test_a_trace_that_is_partly_old_is_known(random, old):
    earlier = EarlierReadings()
    first, second = vector(random), vector(random)
    earlier.take(VECTOR, first, "band")
    second[:, old] = first[:, old]
    what, _ = earlier.take(VECTOR, second, "band")
    assert f"{len(range(POINTS)[old])} points of S11 in a row" in what


def test_one_trace_for_another_is_known(random):
    readings = vector(random)
    readings[1] = readings[0]
    what, hint = EarlierReadings().take(VECTOR, readings, "band")
    assert what == "S11 and S21 came as the very same numbers"
    assert "{trace}" in hint
    same = np.repeat(vector(random)[1:2], 4, axis=0)
    assert "S11 and S21 and S12 and S22" in EarlierReadings().take(VECTOR, same, "band")[0]


@pytest.mark.parametrize(
    ("noise_db", "step"),
    [
        (QUIET_DB, 0.1), (0.01, 0.01),
        *long((QUIET_DB, 0.01), (USUAL_DB, 0.1), (USUAL_DB, 0.01), (0.01, 0.1)),
    ],
)  # fmt: skip
def test_coarse_readings_may_repeat(random, step, noise_db):
    """At 0.1 dB a quiet receiver repeats most sweeps."""
    earlier = EarlierReadings()
    for _ in range(300):
        assert earlier.take(SCALAR, scalar(random, step, noise_db), "band") == ("", "")


def test_coarse_readings_that_are_known_to_move_may_not_repeat(random):
    """In steps of 0.01 dB, which noise of 0.02 dB moves."""
    earlier = EarlierReadings()
    for _ in range(11):
        last = scalar(random, 0.01, 0.02)
        assert earlier.take(SCALAR, last, "band") == ("", "")
    assert "came as the very same numbers" in earlier.take(SCALAR, last.copy(), "band")[0]


def test_what_moves_between_connections_says_nothing_of_noise(random):
    """Through, item and item again in steps of 0.1 dB, each swept once: nothing repeats but the
    item, and that is honest."""
    earlier = EarlierReadings()
    for loss_db in (0.0, 3.0, 0.5, 1.1, 2.2, 0.7, 3.0):
        earlier.disturb()
        sweep = scalar(random, 0.1, QUIET_DB, loss_db)
        assert earlier.take(SCALAR, sweep, "band") == ("", "")


def test_coarse_readings_that_drift_together_may_stand_still(random):
    """Drift moves all points of some sweeps; the others stand, and neighbours may be equal."""
    earlier = EarlierReadings(is_point_by_point=True)
    level = np.full(POINTS, -20.0) - 0.1 * np.floor(4.0 * FREQUENCY)
    for number in range(40):
        level = level + (0.01 if number % 4 else 0.0)
        sweep = (10.0 ** (np.round(level, 2) / 20.0)).astype(complex)[np.newaxis]
        assert earlier.take(SCALAR, sweep, "band") == ("", "")


def test_stand_ins_do_not_count(random):
    """A clipped level is the same in every sweep."""
    earlier = EarlierReadings()
    for _ in range(10):
        sweep = scalar(random, None)
        sweep[:, 20:40] = 10.0 ** (-103.172839 / 20.0)
        assert earlier.take(SCALAR, sweep, "band") == ("", "")


def test_nothing_above_the_floor_is_nothing_that_repeats():
    earlier = EarlierReadings(is_point_by_point=True)
    for _ in range(3):
        assert earlier.take(SCALAR, np.full((1, POINTS), np.nan, complex), "band") == ("", "")


def test_a_meter_that_stands_still_is_known(random):
    earlier = EarlierReadings(is_point_by_point=True)
    sweep = scalar(random, None)
    sweep[:, 30:] = sweep[0, 30]
    what, _ = earlier.take(SCALAR, sweep, "band")
    assert what.startswith("20 points of transmission in a row, from point 32 on")
    fresh = scalar(random, None)
    assert earlier.take(SCALAR, fresh, "band") == ("", "")
    after = scalar(random, None)
    after[0, 0] = fresh[0, -1]
    assert "point 1 of transmission is the same number" in earlier.take(SCALAR, after, "another")[0]


def test_a_swept_trace_of_one_number_is_known():
    sweep = np.full((1, POINTS), 0.1234567891, complex)
    assert "the same number as the point before" in EarlierReadings().take(SCALAR, sweep, "band")[0]
    coarse = np.full((1, POINTS), 10.0 ** (-20.1 / 20.0), complex)
    assert EarlierReadings().take(SCALAR, coarse, "band") == ("", "")
