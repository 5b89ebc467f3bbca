"""The lines that the readings show: repeatability, the reference, the history, and noise."""

from dataclasses import replace

import numpy as np
import pytest

from harness.analysis.loss.evaluate import assess_budget, evaluate
from harness.analysis.loss.pooling import PooledRepeatability
from tests.harness.analysis.loss.contribution_bench import (
    ITEM,
    PLAIN,
    THROUGH,
    bench,
    lines,
    stated,
)


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


def test_two_insertions_that_disagree_with_the_statement_count_as_they_are():
    readings = bench((THROUGH, ITEM, ITEM, THROUGH), making_db=0.1)
    assessed = assess_budget(readings, stated(4, connection_repeatability_db=0.001))
    line = {line.name: line for line in assessed.budget}["insertion repeatability"]
    own_db = assessed.found.insertions.of_means_db
    assert line.standard_uncertainty_db == pytest.approx(own_db / np.sqrt(2))
    assert "differ by more than that" in " ".join(assessed.notes)


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
