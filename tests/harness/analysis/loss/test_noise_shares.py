"""Noise of single sweeps counts once: what a line of the connections holds of it is taken off."""

from dataclasses import replace

import numpy as np
import pytest

from harness.analysis.loss.band import FIRST_RULES
from harness.analysis.loss.evaluate import assess_budget
from harness.analysis.loss.pooling import PooledRepeatability
from tests.harness.analysis.loss.contribution_bench import ITEM, PLAIN, THROUGH, bench, stated

ONE = (THROUGH, ITEM, THROUGH)
SWEEPS = 4


def pooled(sweeps):
    """An earlier scatter, of means over so many sweeps."""
    return PooledRepeatability(np.full(4, 1e-4), 40.0, ("a", "b"), (), sweeps)


def budget(order, history, **changes):
    """Noise of the item and of the through (P,), the scatters within, and the lines by name."""
    assessed = assess_budget(
        bench(order, making_db=0.01, noise_db=0.002, sweeps=SWEEPS),
        stated(4, history=history, **changes),
    )
    found = {line.name: line for line in assessed.budget}
    own, reference = (
        found[name].standard_uncertainty_db if name in found else np.zeros(4)
        for name in ("noise", "noise of the reference")
    )
    return own, reference, assessed.found, found


@pytest.mark.parametrize("order", [ONE, PLAIN])
@pytest.mark.parametrize("sweeps", [1.0, 4.0, 6.0, 16.0, np.inf])
def test_noise_shared_with_the_history_counts_once(order, sweeps):
    """Means over h sweeps hold 1 / h of the variance of a sweep; the mean over n of this run has
    1 / n of it. What lacks is 1 / n - 1 / h, or nothing (variances add up, JCGM 100:2008, 4.2)."""
    own, reference, found, _ = budget(order, pooled(sweeps))
    lacks = max(1.0 / SWEEPS - 1.0 / sweeps, 0.0)
    insertions = order.count(ITEM)
    assert own == pytest.approx(found.insertions.within_db * np.sqrt(lacks / insertions))
    squares = np.sum(np.square(found.losses.reference_weights))
    assert reference == pytest.approx(found.makings.within_db * np.sqrt(squares * lacks))


def test_of_means_over_more_and_over_fewer_sweeps_the_lesser_noise_is_taken_off():
    """Pooled are means over 3 sweeps with those over 4 of this run: 1 / 4 at least is held of what
    the through, swept twice, has."""
    made = bench(PLAIN, making_db=0.01, noise_db=0.002, sweeps=SWEEPS)
    kept = np.arange(len(made.normalization_time)) % SWEEPS < 2
    fewer = replace(
        made, normalization=made.normalization[kept],
        normalization_time=made.normalization_time[kept],
        normalization_making=made.normalization_making[kept],
    )  # fmt: skip
    assessed = assess_budget(fewer, stated(4, history=pooled(3.0)))
    line = {each.name: each for each in assessed.budget}["noise of the reference"]
    squares = np.sum(np.square(assessed.found.losses.reference_weights))
    within_db = assessed.found.makings.within_db
    assert line.standard_uncertainty_db == pytest.approx(
        within_db * np.sqrt(squares * (0.5 - 0.25))
    )


def test_the_scatter_of_insertions_holds_all_of_their_noise():
    own, _, _, _ = budget(PLAIN, None)
    assert np.all(own == 0.0)


def test_by_the_first_rules_item_and_through_have_one_noise():
    """That of whichever has more degrees of freedom: the two checks against one insertion, or five
    insertions against the two checks."""
    own, reference, found, lines = budget(ONE, pooled(16.0), rules=FIRST_RULES)
    lacks = (1.0 / SWEEPS - 1.0 / 16.0) * (1.0 + np.sum(np.square(found.losses.reference_weights)))
    assert own == pytest.approx(found.makings.within_db * np.sqrt(lacks))
    assert np.all(reference == 0.0)
    assert (lines["noise"].distribution, lines["noise"].dof) == ("normal", 2 * (SWEEPS - 1))
    own, _, found, lines = budget(PLAIN, pooled(16.0), rules=FIRST_RULES)
    lacks = (1.0 / SWEEPS - 1.0 / 16.0) * (0.2 + np.sum(np.square(found.losses.reference_weights)))
    assert own == pytest.approx(found.insertions.within_db * np.sqrt(lacks))
    assert lines["noise"].dof == 5 * (SWEEPS - 1)
