"""A band evaluated: what the budget holds, what it admits not to know, and that U is true."""

from dataclasses import replace

import numpy as np
import pytest

from harness.analysis.loss.band import BandReadings, Statements
from harness.analysis.loss.evaluate import evaluate

CAMPAIGNS = 4000
SWEEPS = 4
CHECK_SWEEPS = 4


def statements(points, **changes):
    nothing = np.zeros(points)
    plain = Statements(
        source_reflection=1e-6, load_reflection=1e-6, connection_repeatability_db=0.02,
        through_loss_db=nothing, through_loss_limits_db=nothing, through_reflection=0.0,
        item_reflection=1e-6,
    )  # fmt: skip
    return replace(plain, **changes)


def readings(
    rng, loss_db, *, insertions, making_db, noise_db, drift_db=0.0, checks=2,
    sweeps=SWEEPS, check_sweeps=CHECK_SWEEPS,
):  # fmt: skip
    """Scalar readings: every column of the P frequencies is a campaign of its own."""
    points = len(loss_db)
    makings = (
        [("n", 0)] + [("i", i) for i in range(insertions)] + [("n", c) for c in range(1, checks)]
    )
    rows = {"n": ([], [], []), "i": ([], [], [])}
    clock = 0.0
    for kind, index in makings:
        made = rng.normal(0, making_db, points)
        clock += 40.0
        for _ in range(sweeps if kind == "i" else check_sweeps):
            clock += 1.0
            level = made + rng.normal(0, noise_db, points) + drift_db * clock / 400.0
            if kind == "i":
                level = level - loss_db
            values, times, group = rows[kind]
            values.append(10 ** (level / 20))
            times.append(clock)
            group.append(index)
    (n, nt, ng), (i, it, ig) = rows["n"], rows["i"]
    return BandReadings(
        frequency_hz=np.linspace(1e9, 2e9, points),
        traces=("transmission",),
        normalization=np.array(n, complex)[:, None, :],
        normalization_time=np.array(nt),
        normalization_making=np.array(ng),
        insertions=np.array(i, complex)[:, None, :],
        insertion_time=np.array(it),
        insertion=np.array(ig),
    )


@pytest.mark.parametrize("insertions", [3, 5, 10])
@pytest.mark.parametrize(("making_db", "noise_db"), [(0.02, 0.001), (0.002, 0.02)])
def test_the_interval_holds_the_truth_as_often_as_it_says(insertions, making_db, noise_db):
    """4,000 campaigns where the insertions, or the noise, dominate: the 95.45 % interval holds
    the truth in at least 94 % (three standard deviations of the count below 95.45 % are 94.5 %).
    The drift line makes it cautious, up to 98.5 %."""
    rng = np.random.default_rng([insertions, int(1e4 * making_db)])
    truth_db = np.full(CAMPAIGNS, 0.3)
    made = readings(rng, truth_db, insertions=insertions, making_db=making_db, noise_db=noise_db)
    result = evaluate(made, statements(CAMPAIGNS))
    inside = np.abs(result.insertion_loss_db - truth_db) <= result.expanded_uncertainty_db
    assert 0.94 <= inside.mean() <= 0.985


@pytest.mark.parametrize("insertions", [1, 2])
def test_with_few_insertions_the_statement_of_the_station_keeps_it_true(insertions):
    """Where the stated repeatability is right, the interval is, if cautious."""
    rng = np.random.default_rng(insertions)
    truth_db = np.full(CAMPAIGNS, 0.3)
    made = readings(rng, truth_db, insertions=insertions, making_db=0.02, noise_db=0.001)
    result = evaluate(made, statements(CAMPAIGNS, connection_repeatability_db=0.02))
    inside = np.abs(result.insertion_loss_db - truth_db) <= result.expanded_uncertainty_db
    assert inside.mean() >= 0.945
    assert "only: too few" in result.notes[0]


def test_leaving_the_reference_out_would_be_wrong():
    """The same campaigns without the line for the connection of the reference miss far more
    often: the line is needed, not decoration."""
    rng = np.random.default_rng(4)
    truth_db = np.full(CAMPAIGNS, 0.3)
    made = readings(rng, truth_db, insertions=10, making_db=0.02, noise_db=0.001)
    result = evaluate(made, statements(CAMPAIGNS))
    kept = [c for c in result.budget if c.name != "connection of the reference"]
    u = np.sqrt(np.sum([c.standard_uncertainty_db**2 for c in kept], axis=0))
    inside = np.abs(result.insertion_loss_db - truth_db) <= result.coverage_factor * u
    assert inside.mean() < 0.90


def within(limit_db):
    """An error that nobody knows more of than its limits, drawn anew for each campaign."""
    return lambda rng: rng.uniform(-limit_db, limit_db, CAMPAIGNS)


def made_once(deviation_db):
    """One making of the through and one of the item, which all insertions share."""
    return lambda rng: (
        rng.normal(0, deviation_db, CAMPAIGNS) - rng.normal(0, deviation_db, CAMPAIGNS)
    )


@pytest.mark.parametrize(
    ("line", "stated", "error_db", "inside_at_most"),
    [
        # all of a rectangular distribution lies within 1.73 of its standard deviations
        ("linearity of the receiver", {"linearity_db": 0.05}, within(0.05), 1.0),
        (
            "paths of the switch",
            {"switch_path_difference_db": 0.05, "connection_repeatability_db": 0.002},
            within(0.05),
            1.0,
        ),
        (
            "connections made once",
            {"switch_path_difference_db": 0.0, "connection_repeatability_db": 0.02},
            made_once(0.02),
            0.975,
        ),
    ],
)
def test_what_no_repetition_shows_is_in_the_uncertainty(line, stated, error_db, inside_at_most):
    """An error that shifts all insertions of a campaign alike: the interval holds the truth as
    often as it says, and would not without the line for it."""
    rng = np.random.default_rng(16)
    truth_db = np.full(CAMPAIGNS, 0.3)
    made = readings(rng, truth_db + error_db(rng), insertions=5, making_db=0.002, noise_db=0.001)
    result = evaluate(made, statements(CAMPAIGNS, **stated))
    off_db = np.abs(result.insertion_loss_db - truth_db)
    assert 0.945 <= np.mean(off_db <= result.expanded_uncertainty_db) <= inside_at_most
    assert line in {c.name for c in result.budget}
    kept = [c.standard_uncertainty_db**2 for c in result.budget if c.name != line]
    without_db = result.coverage_factor * np.sqrt(np.sum(kept, axis=0))
    assert np.mean(off_db <= without_db) < 0.5


def test_a_straight_drift_is_taken_out_and_still_admitted():
    rng = np.random.default_rng(5)
    truth_db = np.full(CAMPAIGNS, 0.3)
    made = readings(rng, truth_db, insertions=5, making_db=0.002, noise_db=0.001, drift_db=0.1)
    result = evaluate(made, statements(CAMPAIGNS))
    assert np.mean(result.insertion_loss_db) == pytest.approx(0.3, abs=1e-3)
    drift = {c.name: c for c in result.budget}["drift of the zero"].standard_uncertainty_db
    # the zero moved by some 0.07 dB between its checks, rectangular
    assert drift[0] == pytest.approx(0.07 / np.sqrt(12), rel=0.25)
    assert np.mean(result.zero_change_db[-1]) < -0.05


def test_one_insertion_rests_on_the_station_and_says_so():
    rng = np.random.default_rng(6)
    made = readings(rng, np.full(9, 0.5), insertions=1, making_db=0.02, noise_db=0.001, checks=1)
    result = evaluate(made, statements(9))
    lines = {c.name: c for c in result.budget}
    assert lines["insertion repeatability"].type == "B"
    assert lines["insertion repeatability"].standard_uncertainty_db == pytest.approx(0.02)
    assert lines["connection of the reference"].standard_uncertainty_db == pytest.approx(0.02)
    said = " ".join(result.notes)
    assert "One insertion only" in said
    assert "drift of the zero is NOT in the uncertainty" in said


def test_stated_drift_serves_where_the_zero_was_not_checked():
    rng = np.random.default_rng(7)
    made = readings(rng, np.full(9, 0.5), insertions=3, making_db=0.0, noise_db=0.001, checks=1)
    result = evaluate(made, statements(9, drift_db_per_hour=0.36))
    drift = {c.name: c for c in result.budget}["drift of the zero"].standard_uncertainty_db
    since_check = np.mean(made.insertion_time) - made.normalization_time.mean()
    # U-shaped: a zero that runs at its rate is at the limit (JCGM 101:2008, 6.4.6)
    assert drift[0] == pytest.approx(0.36 * since_check / 3600 / np.sqrt(2))


def test_insertions_long_after_the_last_check_carry_the_stated_drift():
    """Two checks a minute apart that agree say nothing of the zero eight hours later."""
    rng = np.random.default_rng(12)
    made = readings(rng, np.full(9, 0.5), insertions=3, making_db=0.0, noise_db=0.001)
    late = replace(made, insertion_time=made.insertion_time + 8 * 3600.0)
    u = evaluate(late, statements(9, drift_db_per_hour=0.02)).standard_uncertainty_db
    assert np.all(u > 0.9 * 0.02 * 8 / np.sqrt(3))
    unstated = evaluate(late, statements(9))
    assert "NOT in the uncertainty" in " ".join(unstated.notes)


@pytest.mark.parametrize(
    ("insertions", "sweeps", "check_sweeps", "checks"),
    [(1, 1, 4, 1), (1, 4, 4, 2), (2, 4, 4, 2), (5, 16, 1, 2), (5, 16, 1, 1), (5, 2, 8, 2)],
)
def test_noise_of_single_sweeps_is_in_the_uncertainty(insertions, sweeps, check_sweeps, checks):
    """Noise dominates, with more or fewer sweeps of the through than of the item."""
    rng = np.random.default_rng([insertions, sweeps, check_sweeps])
    truth_db = np.full(CAMPAIGNS, 0.3)
    made = readings(
        rng, truth_db, insertions=insertions, making_db=0.001, noise_db=0.02, checks=checks,
        sweeps=sweeps, check_sweeps=check_sweeps,
    )  # fmt: skip
    result = evaluate(made, statements(CAMPAIGNS, connection_repeatability_db=0.001))
    inside = np.abs(result.insertion_loss_db - truth_db) <= result.expanded_uncertainty_db
    assert inside.mean() >= 0.94


def test_single_sweeps_everywhere_admit_that_their_noise_is_unknown():
    rng = np.random.default_rng(13)
    made = readings(
        rng, np.full(9, 0.5), insertions=1, making_db=0.0, noise_db=0.01, sweeps=1, check_sweeps=1
    )
    assert "NOT in U" in " ".join(evaluate(made, statements(9)).notes)


def test_a_loss_far_below_zero_has_no_verdict():
    """As after a normalization with the leads open: nothing passes by that."""
    rng = np.random.default_rng(14)
    made = readings(rng, np.full(9, -78.0), insertions=3, making_db=0.01, noise_db=0.001)
    result = evaluate(made, statements(9), limit_db=np.full(9, 1.0))
    assert result.decision is None
    assert "no passive item can" in result.doubts[0]


def test_a_clock_that_ran_backwards_is_refused():
    rng = np.random.default_rng(15)
    made = readings(rng, np.full(9, 0.3), insertions=3, making_db=0.01, noise_db=0.001)
    times = made.normalization_time.copy()
    times[-4:] -= 3600.0
    with pytest.raises(ValueError, match="ran backwards"):
        evaluate(replace(made, normalization_time=times), statements(9))


def test_the_adapter_that_closed_the_through_is_added_with_its_limits():
    rng = np.random.default_rng(8)
    made = readings(rng, np.full(9, 0.5), insertions=3, making_db=0.0, noise_db=1e-6)
    adapter = np.full(9, 0.05)
    result = evaluate(
        made, statements(9, through_loss_db=adapter, through_loss_limits_db=np.full(9, 0.03))
    )
    assert result.insertion_loss_db == pytest.approx(np.full(9, 0.55), abs=1e-4)
    line = {c.name: c for c in result.budget}["through adapter"]
    # rectangular: half-width over the square root of three (GUM 4.3.7)
    assert line.standard_uncertainty_db == pytest.approx(np.full(9, 0.03 / np.sqrt(3)))


def test_an_unknown_reflection_is_all_that_a_passive_item_can_have():
    """A scalar set-up with nothing stated knows no more than |r|^2 + |s21|^2 <= 1 at a loss A + U
    (first principles)."""
    rng = np.random.default_rng(9)
    made = readings(rng, np.full(9, 0.5), insertions=3, making_db=0.0, noise_db=1e-6)
    unknown = evaluate(
        made, statements(9, item_reflection=None, source_reflection=0.03, load_reflection=0.03)
    )
    line = {c.name: c for c in unknown.budget}["mismatch"]
    assert "passive item of its loss" in line.source
    most = np.sqrt(1.0 - 10 ** (-(0.5 + unknown.expanded_uncertainty_db) / 10))
    # 8.686 / sqrt(2) x 0.03 x sqrt(2) of it, and a little from source against load
    assert line.standard_uncertainty_db == pytest.approx(8.686 * 0.03 * most, rel=0.02)
    beyond = evaluate(made, statements(9, item_reflection=1.0, source_reflection=0.03,
                                       load_reflection=0.03))  # fmt: skip
    assert np.all(unknown.expanded_uncertainty_db < 0.5 * beyond.expanded_uncertainty_db)


@pytest.mark.parametrize("loss_db", [0.0, -0.005, 40.0])
def test_losses_near_nothing_and_large_ones_are_evaluated(loss_db):
    rng = np.random.default_rng(10)
    made = readings(rng, np.full(9, loss_db), insertions=4, making_db=0.01, noise_db=0.001)
    result = evaluate(made, statements(9), limit_db=np.full(9, 1.0))
    assert np.all(np.isfinite(result.expanded_uncertainty_db))
    assert result.decision.verdict == ("fail" if loss_db > 1 else "pass")
