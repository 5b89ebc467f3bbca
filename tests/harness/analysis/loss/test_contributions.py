"""Each line of the budget: what it rests on, and that it is as large as it must be."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.analysis.loss.band import BandReadings, Statements
from harness.analysis.loss.evaluate import assess_budget, evaluate
from harness.analysis.loss.pooling import PooledRepeatability
from harness.analysis.planning.campaigns import simulate, stated_for
from tests.studies.coverage.scenarios import scenarios

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


@pytest.mark.parametrize(
    ("order", "step_db", "drift"),
    [
        (PLAIN, None, 0.01),
        ((THROUGH, *[ITEM] * 3, THROUGH), None, 0.01),
        ((*[THROUGH] * 3, *[ITEM] * 5, *[THROUGH] * 3), None, 0.3),
        (PLAIN, 0.1, 0.01),
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


def test_noise_of_the_through_is_its_own():
    """An item of 30 dB whose sweeps are twenty times noisier than those of the through: 3,000
    campaigns, each a column. U holds the truth, and is less than 1.3 times what that takes (95.45 %
    quantile of the errors); taken alike, it was 1.6 times."""
    rng = np.random.default_rng(11)
    order = (THROUGH, *[ITEM] * 10, THROUGH)
    quiet = bench(order, loss_db=30.0, making_db=1e-3, noise_db=5e-3, points=3000)
    noise = 10 ** (rng.normal(0, 0.1, quiet.insertions.shape) / 20)
    made = replace(quiet, insertions=quiet.insertions * noise)
    result = evaluate(made, stated(3000))
    error_db = np.abs(result.insertion_loss_db - 30.0)
    needed_db = np.quantile(error_db, 0.9545)
    assert np.mean(error_db <= result.expanded_uncertainty_db) >= 0.94
    assert np.median(result.expanded_uncertainty_db) < 1.3 * needed_db
    alike = evaluate(made, stated(3000, rules=1))
    assert np.median(alike.expanded_uncertainty_db) > 1.5 * needed_db


def test_single_sweeps_of_the_item_have_the_noise_of_the_through_and_say_so():
    readings = bench((THROUGH, ITEM, THROUGH), noise_db=0.01)
    single = readings.insertion_time == readings.insertion_time.min()
    one = replace(
        readings, insertions=readings.insertions[single], insertion=readings.insertion[single],
        insertion_time=readings.insertion_time[single],
    )  # fmt: skip
    assessed = assess_budget(one, stated(4))
    found = {line.name: line for line in assessed.budget}
    within_db = assessed.found.makings.within_db
    assert found["noise"].standard_uncertainty_db == pytest.approx(within_db)
    assert "larger where the item loses much" in " ".join(assessed.notes)


def test_through_and_item_alike_share_their_scatter():
    """Where sweeps of the item are as noisy as those of the through nothing is taken off."""
    readings = bench(PLAIN, making_db=0.02, noise_db=0.001)
    found = lines(readings, stated(4))
    ratio = (
        found["connection of the reference"].standard_uncertainty_db
        / found["insertion repeatability"].standard_uncertainty_db
    )
    assert ratio == pytest.approx(np.full(4, np.sqrt(5 / 2)), rel=1e-2)


@pytest.mark.parametrize("order", [PLAIN, (THROUGH, ITEM, THROUGH)])
def test_a_direct_joint_is_one_mated_pair(order):
    """An item has two: half the variance, whether it is found or stated."""
    two, one = (
        lines(bench(order), stated(4, through_pairs=pairs))["connection of the reference"]
        for pairs in (2, 1)
    )
    assert one.standard_uncertainty_db == pytest.approx(two.standard_uncertainty_db / np.sqrt(2))
    assert "one mated pair" in one.source


def test_a_zero_too_old_marks_the_run():
    readings = bench(PLAIN, apart_s=1800.0)
    (mark,) = evaluate(readings, stated(4, oldest_zero_s=7200.0)).zero_marks
    assert "From insertion 5 on" in mark
    assert "2.5 h old" in mark
    assert evaluate(readings, stated(4, oldest_zero_s=9500.0)).zero_marks == ()


def reflecting(r, *, low_db=0.0, g=0.03):
    """2,000 campaigns of an item that reflects r at both ends, read so much too low."""
    world = replace(
        QUIET, item_reflection=r, reads_reflections=True, reflections_low_db=low_db,
        stated=replace(QUIET.stated, source_reflection=g, load_reflection=g, item_reflection=None),
    )  # fmt: skip
    made, truth_db = simulate(world, TEN_SWEEPS, 2000, np.random.default_rng(1))
    return made, truth_db, stated_for(world.stated, 2000)


QUIET = next(s for s in scenarios() if s.name == "mismatch").world
TEN_SWEEPS = next(s for s in scenarios() if s.name == "mismatch").plan


@pytest.mark.parametrize(
    ("return_loss_db", "low_db", "most"),
    [(10, 0, 1.25), (15, 3, 1.25), (20, 0, 1.3), (20, 6, 1.3), (15, 10, 1.25), (25, 0, 1.35)],
)
def test_the_reflection_that_is_read_makes_u_true(return_loss_db, low_db, most):
    """Campaigns of the exact expressions, with any phases. Where S11 and S22 are read too low and
    the station says by how much, the line for that keeps the interval true; it is needed."""
    made, truth_db, statements = reflecting(10 ** (-return_loss_db / 20), low_db=low_db)
    result = evaluate(made, replace(statements, reflection_tracking_db=low_db))
    error_db = np.abs(result.insertion_loss_db - truth_db)
    assert np.mean(error_db <= result.expanded_uncertainty_db) >= 0.94
    needed_db = np.quantile(error_db, 0.9545)
    assert np.median(result.expanded_uncertainty_db) <= most * needed_db
    if low_db:
        without = evaluate(made, statements).expanded_uncertainty_db
        assert np.mean(error_db <= without) < 0.94


def test_stated_and_read_reflections_together_are_no_worse_than_either():
    made, _, statements = reflecting(0.05)
    read = evaluate(made, statements).expanded_uncertainty_db
    for stated_magnitude in (0.01, 0.05, 0.5):
        both = evaluate(made, replace(statements, item_reflection=stated_magnitude))
        alone = evaluate(
            replace(made, traces=("S21", "a", "b")),
            replace(statements, item_reflection=stated_magnitude),
        )
        best = np.minimum(read, alone.expanded_uncertainty_db)
        assert np.all(both.expanded_uncertainty_db <= best * (1 + 1e-9))


def test_one_end_that_was_read_is_kept():
    """S11 without S22: only the other end counts as total."""
    made, _, statements = reflecting(0.05)
    one, none = (
        lines(replace(made, traces=traces), statements)["mismatch"]
        for traces in (("S21", "S11", "b"), ("S21", "a", "b"))
    )
    assert np.all(one.standard_uncertainty_db < 0.8 * none.standard_uncertainty_db)
    assert "change of S11" in one.source
    assert "at the other end neither stated nor measured" in one.source
    # source match 0.03 with a total reflection (Harris and Warner): 8.686 / sqrt(2) x 0.03
    assert one.parts_db[4] == pytest.approx(np.full(2000, 8.686 * 0.03 / np.sqrt(2)), rel=1e-3)


def test_an_unstated_tracking_is_said():
    made, _, statements = reflecting(0.1)
    assessed = assess_budget(
        made,
        replace(statements, reflection_tracking_db=3.0, reflection_tracking_is_stated=False),
    )
    assert "up to 3 dB is taken" in " ".join(assessed.notes)
    assert "tracking of the reflections" in {line.name for line in assessed.budget}


def test_the_verdict_is_by_the_u_of_its_own_method():
    """A rectangular quantity alone: U is 1.15 times its limits by the GUM (2 / sqrt 3, JCGM
    100:2008, 4.3.7) and 0.95 of them by Monte Carlo. A margin between the two passes by one and
    is conditional by the other."""
    readings = bench(PLAIN, making_db=0.0, noise_db=1e-6, loss_db=0.3)
    verdicts = {
        method: evaluate(
            readings, stated(4, flexure_db=0.1), limit_db=np.full(4, 0.405), method=method
        ).decision
        for method in ("gum", "monte carlo")
    }
    assert verdicts["gum"].verdict == "conditional pass"
    assert verdicts["monte carlo"].verdict == "pass"
    assert verdicts["monte carlo"].guard_band_db == pytest.approx(0.0954, rel=0.02)


def test_leads_and_pads_are_in_the_path_that_leakage_passes():
    """Leads of 10 dB each way make the item 10 dB more exposed: the line grows tenfold in
    20 dB (EA-4/02 S7: 8.686 dB x 10^(-(I - A) / 20))."""
    readings = bench(PLAIN, making_db=0.0, noise_db=1e-9, loss_db=20.0)
    padded = replace(
        readings, normalization=readings.normalization / 10, insertions=readings.insertions / 10
    )
    bare, behind = (
        lines(each, stated(4, isolation_db=100.0))["leakage"].standard_uncertainty_db
        for each in (readings, padded)
    )
    assert behind == pytest.approx(10.0 * bare, rel=1e-6)


def test_a_lead_that_loses_less_reflects_more():
    """Of S11 the lead there and back counts; it may lose less than the mean of the two by half
    of what the leads differ by, there and back by all of it: the reflection is that much more."""
    made, _, statements = reflecting(0.1)
    plain, differing = (
        lines(made, replace(statements, lead_loss_difference_db=differ_db))["mismatch"].parts_db[3]
        for differ_db in (0.0, 6.0)
    )
    assert differing == pytest.approx(plain * 10 ** (6.0 / 20.0))


def test_two_insertions_that_disagree_with_the_statement_count_as_they_are():
    readings = bench((THROUGH, ITEM, ITEM, THROUGH), making_db=0.1)
    assessed = assess_budget(readings, stated(4, connection_repeatability_db=0.001))
    line = {line.name: line for line in assessed.budget}["insertion repeatability"]
    own_db = assessed.found.insertions.of_means_db
    assert line.standard_uncertainty_db == pytest.approx(own_db / np.sqrt(2))
    assert "differ by more than that" in " ".join(assessed.notes)


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
