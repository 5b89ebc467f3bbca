"""Is a connection open, being made, at rest or loose? By properties, and on simulated hands.

The limits are those of a variance of normal noise: chi-square (NIST/SEMATECH e-Handbook 7.2.3).
"""

import math
from collections import Counter
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.operator.operator_plan import DONE, End
from drivers.simulated.operator.simulated_operator import SimulatedOperator
from drivers.simulated.physics.simulated_bench import NOTHING, THROUGH, SimulatedBench
from harness.connections.hands_free.connection_state import (
    ConnectionRules,
    ConnectionState,
    Watched,
    after_sweep,
)

OPEN, MAKING, SETTLED, LOOSE = ConnectionState
FLOOR_DB, NOISE_DB = -90.0, 0.01
RULES = ConnectionRules(floor_db=FLOOR_DB, noise_db=NOISE_DB)
CLOSED_DB = FLOOR_DB + RULES.closed_above_floor_db
QUICK = settings(max_examples=15)
seeds = st.integers(0, 2**32 - 1)


def states(levels_db, rules=RULES):
    """What is believed after each of many quick sweeps, from an open path on."""
    seen, found = Watched(), []
    for level_db in levels_db:
        seen = after_sweep(seen, level_db, rules)
        found.append(seen.state)
    return found


def noise(seed, count, noise_db=NOISE_DB):
    return noise_db * np.random.default_rng(seed).standard_normal(count)


@given(st.lists(st.floats(-200.0, FLOOR_DB + 5.9) | st.sampled_from([-math.inf, math.nan])))
@QUICK
def test_what_is_near_the_floor_is_open(levels_db):
    assert set(states(levels_db)) <= {OPEN}


@given(st.lists(st.floats(-120.0, 0.0), max_size=60), st.floats(-50.0, 50.0), st.floats(0.25, 4.0))
@QUICK
def test_only_levels_relative_to_floor_and_noise_count(levels_db, shift_db, scale):
    """Another unit of the axis: all levels, floor, margins and noise moved and scaled alike."""
    rules = ConnectionRules(
        floor_db=FLOOR_DB * scale + shift_db,
        noise_db=NOISE_DB * scale,
        open_above_floor_db=6.0 * scale,
        closed_above_floor_db=12.0 * scale,
    )
    moved = [level_db * scale + shift_db for level_db in levels_db]
    near = [FLOOR_DB + 6.0, FLOOR_DB + 12.0]
    if all(abs(level_db - edge) > 1e-6 for level_db in levels_db for edge in near):
        assert states(moved, rules) == states(levels_db)


@given(st.lists(st.floats(FLOOR_DB + 6.1, FLOOR_DB + 11.9), min_size=1, max_size=80))
@QUICK
def test_between_the_two_margins_nothing_toggles(levels_db):
    assert set(states(levels_db)) == {OPEN}
    conducting = states([CLOSED_DB + 1.0, *levels_db])
    assert OPEN not in conducting


@given(seeds, st.floats(CLOSED_DB + 1.0, 0.0))
@QUICK
def test_a_steady_level_settles_and_stays(seed, level_db):
    found = states(level_db + noise(seed, 400))
    assert found[: RULES.settle_sweeps - 1] == [MAKING] * (RULES.settle_sweeps - 1)
    first = found.index(SETTLED)
    assert first < RULES.settle_sweeps + 20
    assert set(found[first:]) == {SETTLED}


def test_false_alarms_are_as_rare_as_stated():
    """Windows of noise alone: how many would not agree, and how many would break the rest."""
    rules = ConnectionRules(floor_db=FLOOR_DB, noise_db=1.0, break_probability=1e-3)
    windows = np.random.default_rng(8).standard_normal((200_000, rules.settle_sweeps))
    scatter_db = np.std(windows, axis=1, ddof=1)
    for limit_db, stated in ((rules.settled_below_db, 0.05), (rules.broken_above_db, 1e-3)):
        deviation = math.sqrt(stated * (1.0 - stated) / len(windows))
        assert np.mean(scatter_db > limit_db) == pytest.approx(stated, abs=4.0 * deviation)


@given(seeds, st.floats(8.0, 200.0))
@QUICK
def test_one_that_wobbles_is_named_loose_and_never_ready(seed, times):
    """At eight times the noise a window of eight agrees once in 10^7 by chance."""
    found = states(-20.0 + noise(seed, 300, times * NOISE_DB))
    assert SETTLED not in found
    assert found[RULES.loose_sweeps :] == [LOOSE] * (300 - RULES.loose_sweeps)


@given(seeds, st.integers(0, 2**20 - 1))
@QUICK
def test_open_making_settled_whatever_the_bounces(seed, bounces):
    bouncing_db = [-25.0 if bounces >> n & 1 and n % 7 else FLOOR_DB for n in range(20)]
    steady_db = -20.0 + noise(seed, 40)
    found = states([FLOOR_DB] * 5 + bouncing_db + list(steady_db))
    assert found[:5] == [OPEN] * 5
    assert SETTLED not in found[:25]
    assert found[-1] is SETTLED
    for before, after in pairwise(found[25:]):
        assert (before, after) != (SETTLED, OPEN)


def test_a_nut_that_moves_now_and_then_is_loose():
    """Each time at another level: it settles twice more, and is then no longer believed."""
    levels_db = np.concatenate([-20.0 - 0.3 * n + noise(n, 30) for n in range(6)])
    found = states(levels_db)
    breaks = [n for n, (a, b) in enumerate(pairwise(found)) if a is SETTLED and b is not SETTLED]
    assert len(breaks) == 5
    assert [found[n + 1] for n in breaks] == [MAKING, MAKING, LOOSE, LOOSE, LOOSE]


def test_opened_again_everything_is_forgotten():
    seen = Watched(LOOSE, (-20.0, -21.0), 90, 7)
    assert after_sweep(seen, FLOOR_DB, RULES) == Watched()
    assert math.isnan(Watched().level_db)
    assert seen.level_db == -20.5
    assert seen.scatter_db == pytest.approx(math.sqrt(0.5))


@pytest.mark.parametrize(
    "wrong",
    [
        {"noise_db": 0.0}, {"noise_db": math.nan}, {"open_above_floor_db": 20.0},
        {"settle_sweeps": 2}, {"loose_sweeps": 8}, {"break_probability": 0.2},
    ],
)  # fmt: skip
def test_rules_that_make_no_sense_are_refused(wrong):
    with pytest.raises(ValueError, match=r"must"):
        ConnectionRules(**{"floor_db": FLOOR_DB, "noise_db": NOISE_DB, **wrong})


# ---- on simulated hands

FREQUENCY_HZ = np.linspace(2.4e9, 2.4835e9, 11)
EVERY_S = 0.2
OPERATOR = {"fumble_share": 0.3, "one_end_share": 0.2, "loose_share": 0.35}
EXCHANGES = 10
AFTERWARDS = 2 * RULES.loose_sweeps
"""Sweeps after the hands rest."""


@pytest.fixture(scope="module")
def watched_exchanges():
    """Of each exchange: what is true of its ends, and what is believed, sweep by sweep."""
    import tomllib
    from importlib.resources import files

    from drivers.simulated.described.bench_description import BenchDescription

    table = tomllib.loads(
        (files("harness.station.starter") / "simulated-bench.toml").read_text("utf-8")
    )
    description = BenchDescription.model_validate({**table, "operator": OPERATOR})
    bench = SimulatedBench(description)
    operator = SimulatedOperator(bench, description.operator)
    random = np.random.default_rng(2)
    # what is read is the path with a receiver's noise and floor: 0.003 dB a point, -100 dB
    point_noise, floor = 0.003 / 8.686, 1e-5

    def level_db():
        s21 = bench.path(FREQUENCY_HZ, 8e-14, 8e-14)[:, 1, 0]
        drawn = random.standard_normal((3, len(s21)))
        read = s21 * (1.0 + point_noise * drawn[0]) + floor * (drawn[1] + 1j * drawn[2])
        return 20.0 * np.log10(np.mean(np.abs(read)))

    rules = ConnectionRules(floor_db=-98.0, noise_db=0.003 / math.sqrt(len(FREQUENCY_HZ)))
    found = []
    for number in range(EXCHANGES):
        bench.connect(NOTHING)
        operator.exchange(THROUGH if number % 2 else "PIG-0451")
        true, believed, seen, resting = [], [], Watched(), 0
        while resting < AFTERWARDS:
            bench.new_sweep()
            true.append(operator.ends)
            seen = after_sweep(seen, level_db(), rules)
            believed.append(seen.state)
            resting += operator.doing == DONE
            bench.pass_time(EVERY_S)
        found.append((true, believed))
    return found


def test_open_is_told_at_the_sweep_that_meets_it(watched_exchanges):
    for true, believed in watched_exchanges:
        for ends, state in zip(true, believed, strict=True):
            assert (state is OPEN) == (End.OPEN in ends)


def test_every_exchange_ends_as_it_is(watched_exchanges):
    """Some time after the last change: ready, loose, or open at one end."""
    ended = Counter()
    for true, believed in watched_exchanges:
        ends = true[-1]
        expected = OPEN if End.OPEN in ends else LOOSE if End.LOOSE in ends else SETTLED
        assert believed[-1] is expected
        ended[expected] += 1
    assert len(ended) == 3, ended


def test_nothing_is_ready_before_it_is_tight(watched_exchanges):
    """While a nut is turned its contact comes to rest a little before the wrench clicks."""
    for true, believed in watched_exchanges:
        for ends, state in zip(true, believed, strict=True):
            if state is SETTLED:
                assert all(end in (End.TIGHT, End.TIGHTENING) for end in ends)


def test_readiness_is_told_soon(watched_exchanges):
    waits = []
    for true, believed in watched_exchanges:
        if believed[-1] is SETTLED:
            tight = next(n for n, ends in enumerate(true) if set(ends) == {End.TIGHT})
            waits.append(believed.index(SETTLED) - tight)
    assert max(waits) < 3 * RULES.settle_sweeps
    print(f"ready {min(waits)} to {max(waits)} sweeps after the click")
