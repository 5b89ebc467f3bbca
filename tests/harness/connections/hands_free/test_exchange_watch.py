"""An exchange watched by quick looks: what counts as made, and what is told meanwhile."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.connections.hands_free.exchange_watch import (
    ExchangeStage,
    Expectation,
    WatchedExchange,
    after_look,
)
from harness.connections.hands_free.quick_look import LEAST_NOISE_DB, LookNoise, learned

NOISE = LookNoise(zero_db=-22.0, noise_db=0.003, floor_db=-70.0)
LIKE_AN_ITEM = Expectation(below_db=-22.4)
OPEN_DB, ITEM_DB = -95.0, -22.9
EVERY_S, PATIENCE_S = 1.0, 20.0


def watched(levels_db, expectation=LIKE_AN_ITEM):
    """The stage after each look."""
    seen, stages = WatchedExchange(0.0), []
    for number, level_db in enumerate(levels_db, start=1):
        seen = after_look(
            seen, level_db, number * EVERY_S, NOISE.rules(level_db), expectation, PATIENCE_S
        )
        stages.append(seen.stage)
    return stages


def at_rest(level_db, looks, seed=0):
    """Looks at a connection that nobody touches."""
    rng = np.random.default_rng(seed)
    return (level_db + 0.002 * rng.standard_normal(looks)).tolist()


@given(st.lists(st.floats(-57.0, 0.0), max_size=40), st.integers(0, 2**32))
def test_nothing_counts_as_made_that_was_never_open(levels_db, seed):
    assert ExchangeStage.DONE not in watched([*levels_db, *at_rest(ITEM_DB, 30, seed)])


@given(
    st.lists(st.sampled_from([OPEN_DB, -40.0, -25.0, -math.inf, math.nan]), max_size=30),
    st.integers(0, 2**32),
)
def test_whatever_happened_before_rest_after_an_opening_is_seen(levels_db, seed):
    """Falls, bounces, wrong ends: 60 looks at rest end it, unless it was called loose before."""
    stages = watched([*levels_db, OPEN_DB, *at_rest(ITEM_DB, 60, seed)])
    assert stages[-60] is not ExchangeStage.DONE
    assert ExchangeStage.DONE in stages


def test_joined_leads_are_no_item():
    stages = watched([OPEN_DB, *at_rest(NOISE.zero_db, 30)])
    assert stages[-1] is ExchangeStage.WRONG
    assert ExchangeStage.DONE not in stages
    anything = watched([OPEN_DB, *at_rest(NOISE.zero_db, 30)], Expectation())
    assert ExchangeStage.DONE in anything


def test_a_wobbling_connection_is_loose_until_it_is_tightened():
    rng = np.random.default_rng(1)
    wobble = (ITEM_DB + 0.1 * rng.standard_normal(80)).tolist()
    stages = watched([OPEN_DB, *wobble, *at_rest(ITEM_DB, 30)])
    assert stages[80] is ExchangeStage.LOOSE
    assert ExchangeStage.DONE not in stages[:81]
    assert ExchangeStage.DONE in stages[81:]


def test_a_path_that_stays_open_is_asked_about():
    stages = watched([OPEN_DB] * 30)
    assert stages[0] is ExchangeStage.OPEN
    assert stages.index(ExchangeStage.TOO_LONG) == pytest.approx(PATIENCE_S / EVERY_S, abs=2)
    again = watched([*[OPEN_DB] * 15, -30.0, *[OPEN_DB] * 15])
    assert ExchangeStage.TOO_LONG not in again


@given(st.floats(-69.0, 0.0), st.floats(-69.0, 0.0))
def test_looks_scatter_more_near_the_floor(one_db, other_db):
    low, high = sorted((one_db, other_db))
    assert NOISE.rules(low).noise_db >= NOISE.rules(high).noise_db >= LEAST_NOISE_DB


def test_looks_at_the_floor_scatter_by_some_decibels():
    """Amplitudes of noise alone: the level of one point scatters by 5.57 dB (Rayleigh, the
    standard deviation of 20 log10; common practice), here by the linear approximation 6.14 dB."""
    one_point_db = NOISE.rules(NOISE.floor_db).noise_db * math.sqrt(11)
    assert one_point_db == pytest.approx(6.14, abs=0.01)


def test_what_joined_leads_teach():
    rng = np.random.default_rng(2)
    noise = learned((-21.5 + 0.01 * rng.standard_normal(16)).tolist(), -70.0)
    assert noise.zero_db == pytest.approx(-21.5, abs=0.01)
    assert 0.008 < noise.noise_db < 0.02
    with pytest.raises(ValueError, match="two looks"):
        learned([-21.5], -70.0)
