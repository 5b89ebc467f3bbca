"""What every line of a budget states of itself: the table of the room's README, line by line."""

import numpy as np
import pytest

from harness.analysis.loss.band import FIRST_RULES, RULES
from harness.analysis.loss.evaluate import assess_budget
from harness.analysis.loss.pooling import PooledRepeatability
from tests.harness.analysis.loss.contribution_bench import ITEM, PLAIN, THROUGH, bench, stated

EVERYTHING = {
    "drift_db_per_hour": 0.02, "linearity_db": 0.01, "linearity_per_10_db": 0.01,
    "isolation_db": 90.0, "flexure_db": 0.01, "temperature_limits_k": 2.0,
    "temperature_coefficient_per_k": 0.002, "resolution_db": 0.001,
    "switch_path_difference_db": 0.01, "through_loss_limits_db": np.full(4, 0.01),
    "history": PooledRepeatability(np.full(4, 1e-4), 20.0, ("a", "b"), (), 16.0),
}  # fmt: skip
LINES = {
    "insertion repeatability": ("A", "normal", "item", "pooled over 2 earlier runs"),
    "connection of the reference": ("A", "normal", "reference", "taken as that of the item"),
    "noise": ("A", "normal", "item", "scatter of single sweeps"),
    "noise of the reference": ("A", "normal", "reference", "scatter of single sweeps"),
    "drift of the zero": ("B", "U-shaped", "reference", "station: drift_per_hour"),
    "mismatch": ("B", "U-shaped", "difference", "Harris and Warner 1981; item: return_loss"),
    "through adapter": ("B", "rectangular", "reference", "station: through.loss_limits_at_1_ghz"),
    "linearity of the receiver": (
        "B", "rectangular", "difference", "station: linearity and linearity_per_10_db",
    ),
    "leakage": ("B", "U-shaped", "item", "station: isolation; EA-4/02 S7"),
    "flexure of the leads": ("B", "rectangular", "difference", "station: leads.flexure"),
    "temperature": ("B", "rectangular", "item", "station: temperature_limits"),
    "resolution": ("B", "triangular", "difference", "station: resolution"),
    "connections made once": (
        "B", "normal", "difference", "station: leads.connection_repeatability",
    ),
    "paths of the switch": ("B", "rectangular", "difference", "station: switch.path_difference"),
}  # fmt: skip
"""Type and shape as in the README; the term of loss = reference - item that each acts on."""


def test_every_line_says_what_it_is():
    assessed = assess_budget(bench(PLAIN, making_db=0.01), stated(4, **EVERYTHING))
    found = {line.name: line for line in assessed.budget}
    assert list(found) == list(LINES)
    for name, (kind, distribution, acts_on, source) in LINES.items():
        line = found[name]
        assert (line.type, line.distribution, line.acts_on) == (kind, distribution, acts_on), name
        assert source in line.source, name
        assert line.standard_uncertainty_db.shape == (4,)
        assert np.all(line.standard_uncertainty_db > 0.0), name
        assert (line.dof == np.inf) == (kind == "B"), name
    assert "switch exchanged through and item, whose connections were made once" in " ".join(
        assessed.notes
    )


@pytest.mark.parametrize(
    ("rules", "drift", "source"),
    [(FIRST_RULES, 0.02, "station: drift_per_hour (GUM 4.3.7)"),
     (RULES, None, "largest change between neighbouring checks")],
)  # fmt: skip
def test_drift_of_other_rules_or_of_no_statement_is_rectangular(rules, drift, source):
    assessed = assess_budget(bench(PLAIN), stated(4, drift_db_per_hour=drift, rules=rules))
    (line,) = (line for line in assessed.budget if line.name == "drift of the zero")
    assert (line.distribution, line.acts_on) == ("rectangular", "reference")
    assert source in line.source


def test_insertions_and_history_pool_to_their_weighted_mean():
    """(nu1 s1^2 + nu2 s2^2) / (nu1 + nu2) (pooled estimate as in JCGM 100:2008, 4.2.4)."""
    history = PooledRepeatability(np.full(4, 1e-4), 20.0, ("a", "b"), ())
    assessed = assess_budget(bench(PLAIN, making_db=0.005), stated(4, history=history))
    line = assessed.budget[0]
    own_db2 = np.square(assessed.found.insertions.of_means_db)
    pooled_db2 = (4 * own_db2 + 20 * 1e-4) / 24
    assert line.standard_uncertainty_db == pytest.approx(np.sqrt(pooled_db2 / 5))
    assert (line.dof, line.dof_by_frequency) == (24.0, None)


def test_where_insertions_scatter_more_they_have_their_own_degrees_of_freedom():
    """At the frequencies where they do, and those of the pool at the others."""
    history = PooledRepeatability(np.array([1e-8, 1.0, 1e-8, 1.0]), 20.0, ("a", "b"), ())
    assessed = assess_budget(bench(PLAIN), stated(4, history=history))
    line = assessed.budget[0]
    assert line.dof_by_frequency == pytest.approx([4.0, 24.0, 4.0, 24.0])
    assert line.dof == 4.0
    assert "in places" in " ".join(assessed.notes)


def test_insertions_and_history_are_known_well_enough_together():
    """Four degrees of freedom of five insertions and one of an earlier run."""
    history = PooledRepeatability(np.full(4, 1e-4), 1.0, ("a",), ())
    assessed = assess_budget(bench(PLAIN), stated(4, history=history))
    assert "5 insertions, pooled over one earlier run" in assessed.budget[0].source
    assert assessed.budget[0].dof == 5.0


def test_notes_name_a_few_of_many_runs_and_say_where_the_scatter_is_larger():
    history = PooledRepeatability(np.full(4, 1e-9), 20.0, tuple("abcdefg"), ())
    said = " ".join(assess_budget(bench(PLAIN), stated(4, history=history)).notes)
    assert "earlier runs: a, b, c, d, e and 2 more." in said
    assert "than 7 earlier runs explain, everywhere;" in said


def test_makings_of_the_through_are_an_estimate_of_their_own():
    """Their degrees of freedom are not those of the insertions, nor are they counted twice."""
    order = (*[THROUGH] * 3, *[ITEM] * 5, *[THROUGH] * 3)
    item, through = assess_budget(bench(order), stated(4)).budget[:2]
    assert through.estimate
    assert through.estimate != item.estimate
    item, through = assess_budget(bench(PLAIN), stated(4)).budget[:2]
    assert through.estimate == item.estimate


def test_half_a_making_holds_half_its_noise():
    """A direct joint has one of the item's two mated pairs, and so half of its pooled variance and
    of the noise in that: 1 / 4 - (1 / 16) / 2 of a sweep's variance is still to be counted."""
    history = PooledRepeatability(np.full(4, 1e-4), 20.0, ("a", "b"), (), 16.0)
    order = (THROUGH, ITEM, THROUGH)
    assessed = assess_budget(
        bench(order, noise_db=0.002), stated(4, history=history, through_pairs=1)
    )
    line = {each.name: each for each in assessed.budget}["noise of the reference"]
    squares = np.sum(np.square(assessed.found.losses.reference_weights))
    left = 1.0 / 4 - 1.0 / 32
    within_db = assessed.found.makings.within_db
    assert line.standard_uncertainty_db == pytest.approx(within_db * np.sqrt(squares * left))
