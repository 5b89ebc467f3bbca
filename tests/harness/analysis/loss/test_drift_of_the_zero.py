"""Drift of the zero: how far it may have been off, and when a run is marked for it."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from harness.analysis.loss.band import BandReadings
from harness.analysis.loss.evaluate import assess_budget, evaluate
from harness.analysis.loss.first_rules import smooth_departure_s
from harness.analysis.loss.zero_limits import age_mark, explained_change_db
from tests.harness.analysis.loss.contribution_bench import (
    ITEM,
    PLAIN,
    THROUGH,
    bench,
    lines,
    stated,
)
from tests.long_cases import long


@settings(max_examples=10)
@given(rate=st.floats(0.001, 0.1), hours=st.floats(0.1, 10.0))
def test_stated_drift_is_that_of_a_zero_that_turns_round(rate, hours):
    """At the fraction s of the time between two checks r T min(s, 1 - s) for one that comes back;
    the mean of that over 19 insertions evenly spread from check to check is r T / 4 x 20 / 19."""
    order = (THROUGH, *[ITEM] * 19, THROUGH)
    readings = bench(order, points=2, making_db=0.0, apart_s=hours * 180.0, sweeps=1)
    line = lines(readings, stated(2, drift_db_per_hour=rate))["drift of the zero"]
    limit = line.standard_uncertainty_db * np.sqrt(2)
    s = np.arange(1, 20) / 20
    assert limit == pytest.approx(np.full(2, rate * hours * np.mean(np.minimum(s, 1 - s))))
    assert line.distribution == "U-shaped"


@settings(max_examples=25)
@given(
    turns=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=3),
    places=st.lists(st.floats(0.02, 0.98), min_size=1, max_size=4, unique=True),
    checked=st.booleans(),
)
def test_no_zero_that_keeps_its_rate_is_further_off_than_the_budget_says(turns, places, checked):
    """Paths at full rate that turn round wherever they like, against any timetable: the mean loss
    stays within the limits. One that turns at the worst place reaches them."""
    rate = 1e-4
    time = np.sort(np.array(places)) * 1000.0
    checks = np.array([0.0, 1000.0]) if checked else np.array([0.0])

    def off_db(turn_s):
        edges = np.concatenate([[0.0], np.sort(turn_s), [1000.0]])
        moves = np.diff(edges) * rate * (-1.0) ** np.arange(len(edges) - 1)
        level = np.concatenate([[0.0], np.cumsum(moves)])
        zero = np.interp(checks, edges, level)
        return abs(np.mean(np.interp(time, edges, level) - np.interp(time, checks, zero)))

    rows = (checks, time)
    (through, item) = (np.ones((len(each), 1, 1), complex) for each in rows)
    readings = BandReadings(
        np.array([1e9]), ("transmission",), through, checks, np.arange(len(checks)),
        item, time, np.arange(len(time)),
    )  # fmt: skip
    line = lines(readings, stated(1, drift_db_per_hour=rate * 3600))["drift of the zero"]
    limit = np.sqrt(2) * line.standard_uncertainty_db[0]
    assert off_db(np.array(turns) * 1000.0) <= limit * (1 + 1e-9)
    if checked:
        assert max(off_db(np.array([turn])) for turn in time) == pytest.approx(limit)


def test_by_the_first_rules_the_zero_departs_smoothly():
    """The parabola r T s (1 - s) between checks T apart, as its docstring says; before the first
    and after the last check the time beyond."""
    losses = assess_budget(bench(PLAIN), stated(4)).found.losses
    time = np.array([-10.0, 25.0, 50.0, 120.0, 150.0, 230.0])
    twice = replace(losses, time=time, check_time=np.array([0.0, 100.0, 200.0]))
    assert smooth_departure_s(twice) == pytest.approx([10.0, 18.75, 25.0, 16.0, 25.0, 30.0])
    once = replace(losses, time=time, check_time=np.array([50.0]))
    assert smooth_departure_s(once) == pytest.approx(np.abs(time - 50.0))


def test_of_several_checks_the_largest_change_counts():
    """Without a stated drift: half the largest of the changes, whichever it is."""
    order = (THROUGH, ITEM, THROUGH, ITEM, THROUGH, ITEM, THROUGH)
    for place in range(3):
        readings = bench(
            order, making_db=0.0, noise_db=1e-9,
            zero_db=lambda time, at=place: 0.06 if time > 120.0 * at + 90.0 else 0.0,
        )  # fmt: skip
        line = lines(readings, stated(4))["drift of the zero"]
        assert line.standard_uncertainty_db == pytest.approx(np.full(4, 0.03 / np.sqrt(3)))


def test_a_zero_that_moved_too_far_marks_the_run_and_corrects_nothing():
    def step(time):
        return 0.1 if time > 300 else 0.0

    readings = bench(PLAIN, making_db=0.001, zero_db=step)
    without = evaluate(readings, stated(4))
    assert without.zero_marks == ()
    marked = evaluate(readings, stated(4, most_zero_change_db=0.05))
    (mark,) = marked.zero_marks
    assert "between checks 1 and 2" in mark.lower()
    assert "0.05 dB" in mark
    np.testing.assert_array_equal(marked.insertion_loss_db, without.insertion_loss_db)
    # where the makings of the through tell how well they repeat, the stated rate marks it too
    order = (*[THROUGH] * 3, *[ITEM] * 5, *[THROUGH] * 3)
    known = bench(order, making_db=0.001, zero_db=step)
    by_rate = evaluate(known, stated(4, drift_db_per_hour=0.02))
    assert "stated drift" in by_rate.zero_marks[0]


@pytest.mark.parametrize("bands", [1, 5])
def test_what_explains_a_change_is_that_of_both_checks(bands):
    """Three makings before the item and one after it: their means differ by the drift of the time
    between, and with the variance s^2 (1 / 3 + 1 / 1); Student's t for 99.5 % of all bands taken
    together, by scipy."""
    made = bench((*[THROUGH] * 3, *[ITEM] * 5, THROUGH), zero_db=lambda time: 2.0 * (time > 420.0))
    assessed = assess_budget(made, stated(4, drift_db_per_hour=0.02, bands=bands))
    losses = assessed.found.losses
    squares = np.square(losses.reference_db[:3] - losses.reference_db[:3].mean(axis=0)).sum(axis=0)
    made_db = np.sqrt(np.mean(squares / 2 * (1 / 3 + 1)))
    within = stats.t.ppf(1.0 - 0.0025 / bands, 2)
    explained_db = 0.02 * np.diff(losses.check_time)[0] / 3600 + within * made_db
    (mark,) = assessed.zero_marks
    seen_db = np.sqrt(np.mean(np.square(np.diff(losses.check_db, axis=0))))
    assert f"the zero moved by {seen_db:.3f} dB (rms over the band)" in mark
    assert f"explain {explained_db:.3f} dB" in mark


def test_a_change_beyond_what_is_stated_is_told_with_its_frequency():
    made = bench(PLAIN, making_db=0.0, zero_db=lambda time: np.array([0, 0, 0.2, 0]) * (time > 300))
    (mark,) = evaluate(made, stated(4, most_zero_change_db=0.1)).zero_marks
    # of four points from 1 to 2 GHz the third
    assert "by 0.200 dB at 1666.67 MHz, more than the 0.1 dB" in mark


def test_a_step_of_the_readings_is_no_movement_beyond_the_stated_most():
    """Two checks of a zero that stands still, rounded to either side: they differ by a step. One
    that moved by the stated most and a step more is marked."""
    moved = {0.1: 0, 0.3: 1}
    for step_db, marks in moved.items():
        readings = bench(PLAIN, making_db=0.0, noise_db=1e-6,
                         zero_db=lambda time, by=step_db: by if time > 300 else 0.0)  # fmt: skip
        statements = stated(4, most_zero_change_db=0.1, resolution_db=0.1)
        assert len(evaluate(readings, statements).zero_marks) == marks
        assert len(evaluate(readings, replace(statements, rules=1)).zero_marks) == 1


@pytest.mark.parametrize(
    ("order", "step_db", "drift"),
    [
        *long((PLAIN, None, 0.01), ((THROUGH, *[ITEM] * 3, THROUGH), None, 0.01)),
        *long(((*[THROUGH] * 3, *[ITEM] * 5, *[THROUGH] * 3), None, 0.3), (PLAIN, 0.1, 0.01)),
        ((THROUGH, ITEM, ITEM, THROUGH, ITEM, ITEM, THROUGH), None, 0.01),
    ],
    ids=["five insertions", "three", "makings and drift", "coarse", "three checks"],
)
def test_an_honest_zero_is_rarely_marked(order, step_db, drift):
    """Makings that scatter by 0.02 dB, the same all over the band, and a zero that runs at its
    stated rate: 300 runs, at most 1 % marked."""
    marked = 0
    for seed in range(300):
        made = bench(order, points=1, making_db=0.02, noise_db=2e-3, seed=seed, sweeps=2,
                     zero_db=lambda time: drift * time / 3600.0)  # fmt: skip
        if step_db is not None:
            made = replace(made, normalization=rounded(made.normalization, step_db),
                           insertions=rounded(made.insertions, step_db))  # fmt: skip
        statements = stated(1, drift_db_per_hour=drift, resolution_db=step_db)
        marked += bool(assess_budget(made, statements).zero_marks)
    assert marked <= 3


def rounded(readings, step_db):
    return 10 ** (step_db * np.round(20 * np.log10(np.abs(readings)) / step_db) / 20) + 0j


def test_a_zero_too_old_marks_the_run():
    readings = bench(PLAIN, apart_s=1800.0)
    (mark,) = evaluate(readings, stated(4, oldest_zero_s=7200.0)).zero_marks
    assert "From insertion 5 on" in mark
    assert "2.5 h old" in mark
    assert evaluate(readings, stated(4, oldest_zero_s=9500.0)).zero_marks == ()


def test_a_zero_is_as_old_as_its_last_check():
    """Checks at 0, 1 and 2 h, an insertion 0.9 h after each."""
    checks = 3600.0 * np.arange(3)
    assert age_mark(checks, checks + 3240.0, 3240.0) == ""
    mark = age_mark(checks, np.add(checks, [3240.0, 3240.0, 7200.0]), 5400.0)
    assert mark.startswith("From insertion 3 on the zero was up to 2.0 h old, older than the 1.5 h")


def test_what_explains_a_change_of_the_zero_adds_up():
    """0.36 dB/h in 600 s, and 3 standard deviations of 0.01 dB; with a step, that too."""
    assert explained_change_db(0.36, 600.0, 0.01, 3.0) == pytest.approx(0.06 + 0.03)
    assert explained_change_db(0.36, 600.0, 0.01, 3.0, 0.1) == pytest.approx(0.19)
