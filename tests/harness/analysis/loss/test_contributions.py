"""Each line of the budget: what it rests on, and that it is as large as it must be."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.analysis.loss.band import BandReadings, Statements
from harness.analysis.loss.evaluate import assess_budget, evaluate
from harness.analysis.loss.pooling import PooledRepeatability

THROUGH, ITEM = "through", "item"
PLAIN = (THROUGH, *[ITEM] * 5, THROUGH)


def stated(points, **changes):
    nothing = np.zeros(points)
    plain = Statements(
        source_reflection=1e-6, load_reflection=1e-6, connection_repeatability_db=0.02,
        through_loss_db=nothing, through_loss_limits_db=nothing, through_reflection=0.0,
        item_reflection=1e-6,
    )  # fmt: skip
    return replace(plain, **changes)


def bench(order, points=4, *, loss_db=0.3, making_db=0.01, noise_db=1e-4, sweeps=4, apart_s=60.0,
          seed=1, zero_db=lambda time: 0.0):  # fmt: skip
    """Scalar readings of connections made in `order`, one every `apart_s`."""
    rng = np.random.default_rng(seed)
    rows = {THROUGH: [], ITEM: []}
    for place, what in enumerate(order):
        made = rng.normal(0, making_db, points) if making_db else np.zeros(points)
        index = order[:place].count(what)
        for sweep in range(sweeps):
            time = place * apart_s + sweep
            level = made + zero_db(time) + rng.normal(0, noise_db, points)
            level = level - (loss_db if what == ITEM else 0.0)
            rows[what].append((10 ** (level / 20), time, index))

    def column(what, place):
        return np.array([row[place] for row in rows[what]])

    return BandReadings(
        np.linspace(1e9, 2e9, points), ("transmission",),
        column(THROUGH, 0).astype(complex)[:, None, :], column(THROUGH, 1), column(THROUGH, 2),
        column(ITEM, 0).astype(complex)[:, None, :], column(ITEM, 1), column(ITEM, 2),
    )  # fmt: skip


def lines(readings, statements):
    return {line.name: line for line in assess_budget(readings, statements).budget}


def test_makings_in_a_row_are_one_check_and_tell_how_the_through_repeats():
    order = (*[THROUGH] * 3, *[ITEM] * 5, *[THROUGH] * 3)
    readings = bench(order)
    found = assess_budget(readings, stated(4)).found
    assert found.losses.check.tolist() == [0, 0, 0, 1, 1, 1]
    assert found.losses.check_db.shape == (2, 4)
    assert found.losses.reference_weights.sum() == pytest.approx(1.0)
    line = lines(readings, stated(4))["connection of the reference"]
    assert line.dof == 4.0
    assert "makings of the through" in line.source
    levels = found.losses.reference_db
    squares = sum(np.sum((part - part.mean(axis=0)) ** 2, axis=0) for part in np.split(levels, 2))
    # the two checks have about half the weight each, and three makings
    assert line.standard_uncertainty_db == pytest.approx(np.sqrt(squares / 4 / 6), rel=0.01)


def test_a_check_between_insertions_parts_the_makings():
    readings = bench((THROUGH, ITEM, ITEM, THROUGH, THROUGH, ITEM, THROUGH))
    assert assess_budget(readings, stated(4)).found.losses.check.tolist() == [0, 1, 1, 2]


@pytest.mark.parametrize(
    ("order", "history", "says", "dof"),
    [
        (PLAIN, None, "taken as that of the item: 5 insertions", 4.0),
        (PLAIN, 20.0, "pooled over 2 earlier runs", 24.0),
        ((*[THROUGH] * 3, ITEM), 20.0, "3 makings of the through", 2.0),
        ((*[THROUGH] * 2, ITEM), None, "station: leads.connection_repeatability", np.inf),
    ],
)
def test_the_reference_rests_on_the_best_that_is_known(order, history, says, dof):
    """Own makings, else the pooled history, else the insertions, else the statement."""
    pooled = history and PooledRepeatability(np.full(4, 4e-4), history, ("a", "b"), ())
    line = lines(bench(order), stated(4, history=pooled or None))["connection of the reference"]
    assert says in line.source
    assert line.dof == dof


def test_one_insertion_rests_on_the_history():
    pooled = PooledRepeatability(np.full(4, 9e-4), 12.0, ("a", "b", "c"), ("bent",))
    assessed = assess_budget(bench((THROUGH, ITEM, THROUGH)), stated(4, history=pooled))
    line = {line.name: line for line in assessed.budget}["insertion repeatability"]
    assert line.standard_uncertainty_db == pytest.approx(0.03)
    assert (line.type, line.dof) == ("A", 12.0)
    said = " ".join(assessed.notes)
    assert "One insertion only" in said
    assert "earlier runs: a, b, c" in said
    assert "pooled over 3 earlier runs" in line.source
    assert "bent" in said


def test_a_history_that_says_next_to_nothing_is_left_aside():
    """One earlier run of two insertions has one degree of freedom: the statement serves."""
    pooled = PooledRepeatability(np.full(4, 9e-4), 1.0, ("a",), ())
    line = lines(bench((THROUGH, ITEM, THROUGH)), stated(4, history=pooled))
    assert line["insertion repeatability"].source == "station: leads.connection_repeatability"


def test_insertions_that_scatter_more_than_the_history_stand_for_themselves():
    small = PooledRepeatability(np.full(4, 1e-8), 40.0, ("a", "b"), ())
    assessed = assess_budget(bench(PLAIN), stated(4, history=small))
    line = {line.name: line for line in assessed.budget}["insertion repeatability"]
    own = assessed.found.insertions.of_means_db / np.sqrt(5)
    assert line.standard_uncertainty_db == pytest.approx(own)
    assert line.dofs == pytest.approx(np.full(4, 4.0))
    assert "scatter more" in " ".join(assessed.notes)


@settings(max_examples=10)
@given(rate=st.floats(0.001, 0.1), hours=st.floats(0.1, 10.0))
def test_stated_drift_is_a_parabola_between_checks(rate, hours):
    """Ends' slopes within the rate: at most r T / 4 off the line, in the middle; the mean over
    n - 1 insertions evenly spread from check to check is r T (n + 1) / 6 n (sum of squares)."""
    order = (THROUGH, *[ITEM] * 19, THROUGH)
    readings = bench(order, points=2, making_db=0.0, apart_s=hours * 180.0, sweeps=1)
    line = lines(readings, stated(2, drift_db_per_hour=rate))["drift of the zero"]
    limit = line.standard_uncertainty_db * np.sqrt(3)
    assert limit == pytest.approx(np.full(2, rate * hours * 21 / 120), rel=1e-6)


def test_a_zero_that_keeps_its_rate_is_never_further_off_than_the_budget_says():
    """Smooth paths of a zero whose rate stays within +-r, by simulation: their mean departure
    from the line between the checks stays within the limits."""
    rate, length = 0.02 / 3600.0, 3600.0
    for curve in (1.0, -1.0, 0.5):
        readings = bench(
            PLAIN, making_db=0.0, noise_db=1e-9, apart_s=length / 6,
            zero_db=lambda t, c=curve: c * rate * t * (1 - t / length),
        )  # fmt: skip
        result = evaluate(readings, stated(4, drift_db_per_hour=0.02))
        limit = {c.name: c for c in result.budget}["drift of the zero"]
        off = np.abs(result.insertion_loss_db - 0.3)
        assert np.all(off <= np.sqrt(3) * limit.standard_uncertainty_db * 1.01)


def test_leakage_is_that_of_a_phasor():
    """Exact: level of 1 + e exp(j phi) with uniform phase, e 20 dB down: its standard deviation is
    the line's to 1 % (the leakage term of EA-4/02 S7)."""
    readings = bench(PLAIN, making_db=0.0, noise_db=1e-9, loss_db=40.0)
    line = lines(readings, stated(4, isolation_db=60.0))["leakage"]
    phase = 2 * np.pi * np.arange(3600) / 3600
    exact = np.std(20 * np.log10(np.abs(1 + 0.1 * np.exp(1j * phase))))
    assert line.standard_uncertainty_db == pytest.approx(exact, rel=0.01)
    assert line.distribution == "U-shaped"


def test_resolution_is_that_of_two_rounded_readings():
    """By simulation: the difference of two readings rounded to 0.1 dB is off by 0.1 / sqrt(6)
    (triangular; JCGM 100:2008, 4.3.9)."""
    rng = np.random.default_rng(3)
    through, item = rng.uniform(-10, 10, (2, 100_000))
    off = (np.round(through, 1) - np.round(item, 1)) - (through - item)
    line = lines(bench(PLAIN), stated(4, resolution_db=0.1))["resolution"]
    assert line.standard_uncertainty_db[0] == pytest.approx(off.std(), rel=0.01)


def test_statements_in_the_words_of_a_data_sheet():
    """Rectangular limits (JCGM 100:2008, 4.3.7), each on the term that it acts on."""
    readings = bench(PLAIN, making_db=0.0, noise_db=1e-9, loss_db=20.0)
    found = lines(
        readings,
        stated(
            4, linearity_db=0.02, linearity_per_10_db=0.01, flexure_db=0.03,
            temperature_limits_k=2.0, temperature_coefficient_per_k=0.002,
        ),
    )  # fmt: skip
    limits = {
        "linearity of the receiver": 0.02 + 0.01 * 2,
        "flexure of the leads": 0.03,
        "temperature": 2.0 * 0.002 * 20.0,
    }
    for name, limit in limits.items():
        assert found[name].standard_uncertainty_db == pytest.approx(limit / np.sqrt(3), rel=1e-3)
    assert found["temperature"].acts_on == "item"
    assert found["connection of the reference"].acts_on == "reference"


def test_the_parts_of_a_mismatch_make_it_up():
    readings = bench(PLAIN)
    line = lines(
        readings, stated(4, source_reflection=0.05, load_reflection=0.03, item_reflection=0.1)
    )["mismatch"]
    assert line.parts_db.shape == (6, 4)
    assert np.sqrt(np.sum(line.parts_db**2, axis=0)) == pytest.approx(line.standard_uncertainty_db)


@pytest.mark.parametrize("method", ["gum", "monte carlo"])
def test_every_frequency_is_evaluated_for_itself(method):
    statements = stated(
        4, drift_db_per_hour=0.05, isolation_db=80.0, resolution_db=0.01,
        history=PooledRepeatability(np.full(4, 1e-4), 8.0, ("a", "b"), ()),
    )  # fmt: skip
    readings = bench(PLAIN, making_db=0.03)
    whole = evaluate(readings, statements, method=method, digits=1)
    for place in range(4):
        one = replace(
            readings, frequency_hz=readings.frequency_hz[[place]],
            normalization=readings.normalization[..., [place]],
            insertions=readings.insertions[..., [place]],
        )  # fmt: skip
        alone = evaluate(
            one,
            replace(
                statements, through_loss_db=np.zeros(1), through_loss_limits_db=np.zeros(1),
                history=PooledRepeatability(np.full(1, 1e-4), 8.0, ("a", "b"), ()),
            ),
            method=method, digits=1,
        )  # fmt: skip
        # Monte Carlo takes as many trials as the least settled frequency beside it
        tolerance = 1e-12 if method == "gum" else 0.05
        assert whole.expanded_uncertainty_db[place] == pytest.approx(
            alone.expanded_uncertainty_db[0], rel=tolerance
        )


def test_a_limit_that_dominates_is_not_validated_and_monte_carlo_is_stated():
    """A rectangular quantity alone: the GUM's k = 2 reaches beyond its ends, at k = 1.73."""
    readings = bench(PLAIN, making_db=0.0, noise_db=1e-6)
    statements = stated(4, flexure_db=0.1)
    gum = evaluate(readings, statements)
    found = evaluate(readings, statements, method="monte carlo")
    assert gum.gum_validated is None
    assert found.gum_validated is False
    assert found.trials >= 20_000
    assert "not validated" in " ".join(found.notes)
    assert found.expanded_uncertainty_db == pytest.approx(0.1 * 0.9545, rel=0.02)
    assert gum.expanded_uncertainty_db == pytest.approx(0.2 / np.sqrt(3), rel=0.01)
    assert np.all(found.interval_low_db < found.insertion_loss_db)
    assert found.gum_difference_db.max() > 0.01
    assert found.coverage_factor == pytest.approx(
        found.expanded_uncertainty_db / found.standard_uncertainty_db
    )


def test_a_normal_budget_is_validated():
    found = evaluate(bench(PLAIN, making_db=0.02), stated(4), method="monte carlo")
    assert found.gum_validated is True
    assert not any("validated" in note for note in found.notes)


def test_a_negative_loss_within_its_uncertainty_is_kept_and_said():
    readings = bench(PLAIN, loss_db=-0.005, making_db=0.01)
    result = evaluate(readings, stated(4), limit_db=np.full(4, 0.3))
    assert np.any(result.insertion_loss_db < 0.0)
    assert result.doubts == ()
    assert result.decision is not None
    assert "cut off" in " ".join(result.notes)


@pytest.mark.parametrize("method", ["gum", "monte carlo"])
def test_an_interval_wholly_below_nothing_has_no_verdict_and_no_excuse(method):
    readings = bench(PLAIN, loss_db=-0.15, making_db=0.02)
    limited = evaluate(readings, stated(4), limit_db=np.full(4, 0.3), method=method)
    assert np.all(limited.interval_high_db < 0.0)
    assert limited.decision is None
    assert "through and item were exchanged" in limited.doubts[0]
    assert not any("stated as" in note for note in limited.notes)
    assert evaluate(readings, stated(4), method=method).doubts == limited.doubts


def test_an_item_of_hardly_any_loss_is_seldom_called_impossible():
    """200 bands of 101 frequencies whose noise is drawn anew at each, true loss 0 dB."""
    noisy = sum(
        bool(evaluate(bench(PLAIN, points=101, making_db=0.0, loss_db=0.0, noise_db=0.01,
                            seed=seed, sweeps=4), stated(101, connection_repeatability_db=1e-4)
                      ).doubts)
        for seed in range(200)
    )  # fmt: skip
    assert noisy <= 2


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


def test_an_honest_zero_is_rarely_marked():
    """Changes that the makings explain: 400 bands of 101 frequencies whose makings scatter by
    0.02 dB; the mark stays below 15 % (five insertions know their scatter to a third)."""
    marked = 0
    for seed in range(400):
        readings = bench(PLAIN, points=101, making_db=0.02, seed=seed, sweeps=2)
        marked += bool(assess_budget(readings, stated(101, drift_db_per_hour=0.01)).zero_marks)
    assert marked / 400 < 0.15


def test_a_zero_too_old_marks_the_run():
    readings = bench(PLAIN, apart_s=1800.0)
    (mark,) = evaluate(readings, stated(4, oldest_zero_s=7200.0)).zero_marks
    assert "From insertion 5 on" in mark
    assert "2.5 h old" in mark
    assert evaluate(readings, stated(4, oldest_zero_s=9500.0)).zero_marks == ()
