"""What was read or stated of the item's reflections, and the mismatch that follows."""

from dataclasses import replace

import numpy as np
import pytest
import skrf

from harness.analysis.loss.evaluate import assess_budget, evaluate
from harness.analysis.planning.campaigns import simulate, stated_for
from harness.analysis.uncertainty.mismatch import passive_reflection
from tests.harness.analysis.loss.contribution_bench import lines
from tests.studies.coverage.scenarios import scenarios

QUIET = next(s for s in scenarios() if s.name == "mismatch").world
TEN_SWEEPS = next(s for s in scenarios() if s.name == "mismatch").plan


def reflecting(r, *, low_db=0.0, g=0.03):
    """2,000 campaigns of an item that reflects r at both ends, read so much too low."""
    world = replace(
        QUIET, item_reflection=r, reads_reflections=True, reflections_low_db=low_db,
        stated=replace(QUIET.stated, source_reflection=g, load_reflection=g, item_reflection=None),
    )  # fmt: skip
    made, truth_db = simulate(world, TEN_SWEEPS, 2000, np.random.default_rng(1))
    return made, truth_db, stated_for(world.stated, 2000)


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
    """S11 without S22: only the other end is anything that the item's loss allows."""
    made, _, statements = reflecting(0.05)
    one, none = (
        lines(replace(made, traces=traces), statements)["mismatch"]
        for traces in (("S21", "S11", "b"), ("S21", "a", "b"))
    )
    assert np.all(one.standard_uncertainty_db < 0.8 * none.standard_uncertainty_db)
    assert "change of S11" in one.source
    assert "at the other end neither stated nor measured" in one.source
    # the load's match of 0.03 with sqrt(1 - |s21|^2), at a loss beyond the one that was read
    least = 8.686 / np.sqrt(2) * 0.03 * np.sqrt(1 - 10**-0.03)
    assert np.all(one.parts_db[4] > least)
    assert np.all(one.parts_db[4] < 2 * least)


def test_a_lossless_item_reflects_just_what_its_loss_allows():
    """Of scikit-rf: a shunt capacitor, and a line of another impedance, which only reflect; and a
    lossy line of that impedance, which reflects less."""
    frequency = skrf.Frequency(1, 3, 5, "GHz")
    media = skrf.media.DefinedGammaZ0(frequency, gamma=1j * 40, z0=50)
    odd = skrf.media.DefinedGammaZ0(frequency, gamma=1j * 40, z0=80, z0_port=50)
    lossy = skrf.media.DefinedGammaZ0(frequency, gamma=2 + 1j * 40, z0=80, z0_port=50)
    for item, is_lossless in (
        (media.shunt_capacitor(1e-12), True), (odd.line(0.03, "m"), True),
        (lossy.line(0.03, "m"), False),
    ):  # fmt: skip
        most = passive_reflection(-item.s_db[:, 1, 0])
        ratio = np.abs(item.s[:, [0, 1], [0, 1]]).T / most
        assert np.all(ratio == pytest.approx(1.0) if is_lossless else ratio < 0.95)


def test_an_unstated_tracking_is_said():
    made, _, statements = reflecting(0.1)
    for is_stated in (False, True):
        tracking = {"reflection_tracking_db": 3.0, "reflection_tracking_is_stated": is_stated}
        assessed = assess_budget(made, replace(statements, **tracking))
        assert ("up to 3 dB is taken" in " ".join(assessed.notes)) is not is_stated
        assert "tracking of the reflections" in {line.name for line in assessed.budget}


def test_a_lead_that_loses_less_reflects_more():
    """Of S11 the lead there and back counts; it may lose less than the mean of the two by half
    of what the leads differ by, there and back by all of it: the reflection is that much more."""
    made, _, statements = reflecting(0.1)
    plain, differing = (
        lines(made, replace(statements, lead_loss_difference_db=differ_db))["mismatch"].parts_db[3]
        for differ_db in (0.0, 6.0)
    )
    assert differing == pytest.approx(plain * 10 ** (6.0 / 20.0))
