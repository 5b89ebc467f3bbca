"""What would decide a conditional verdict."""

import re

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from harness.analysis.loss.advice import INSERTIONS_LINE, MOST_INSERTIONS, advise, with_insertions
from harness.analysis.uncertainty.budget import Contribution, combine
from harness.analysis.uncertainty.conformity import DecisionRule, decide

RULE = DecisionRule()


def budget(repeatability_db, rest_db, insertions, points=1):
    def line(name, kind, u_db, dof, estimate=""):
        return Contribution(name, kind, "normal", np.full(points, u_db), dof, "test", estimate)

    making_db = repeatability_db * np.sqrt(insertions / 2)
    return [
        line(INSERTIONS_LINE, "A", repeatability_db, float(insertions - 1), "insertions"),
        line(
            "connection of the reference", "A", making_db / 9, float(insertions - 1), "insertions"
        ),
        line("mismatch", "B", rest_db, np.inf),
    ]


def decided(lines, loss_db, limit_db, rule=RULE):
    total = combine(lines)
    loss, limit = (np.full(len(total.effective_dof), x) for x in (loss_db, limit_db))
    decision = decide(
        loss, total.standard_uncertainty_db, total.effective_dof, total.expanded_uncertainty_db,
        limit, rule,
    )  # fmt: skip
    return decision, loss, limit


def advice(lines, insertions, loss_db, limit_db, rule=RULE):
    decision, loss, limit = decided(lines, loss_db, limit_db, rule)
    return advise(decision, lines, insertions, loss, limit, rule)


def test_a_clear_verdict_needs_no_advice():
    assert advice(budget(0.01, 0.01, 5), 5, 0.2, 1.0) == ""
    assert advice(budget(0.01, 0.01, 5), 5, 2.0, 1.0) == ""
    simple = DecisionRule("simple acceptance")
    assert advice(budget(0.1, 0.1, 5), 5, 0.999, 1.0, simple) == ""


@given(
    repeatability=st.floats(0.005, 0.1),
    rest=st.floats(0.001, 0.05),
    insertions=st.integers(3, 12),
    margin=st.floats(-0.3, 0.3),
    rule=st.sampled_from([RULE, DecisionRule("guard band for risk", 0.01)]),
)
def test_the_number_that_is_named_decides_and_one_less_does_not(
    repeatability, rest, insertions, margin, rule
):
    lines = budget(repeatability, rest, insertions)
    decision, loss, limit = decided(lines, 1.0 - margin, 1.0, rule)
    assume(not decision.verdict.is_clear)
    told = advise(decision, lines, insertions, loss, limit, rule)

    def clear(count):
        changed = with_insertions(lines, insertions, count)
        return decided(changed, 1.0 - margin, 1.0, rule)[0].verdict.is_clear

    if match := re.search(r"\((\d+) in all\)", told):
        count = int(match[1])
        assert clear(count)
        assert not clear(count - 1)
        assert told.startswith(f"{count - insertions} more insertion")
    else:
        assert told.startswith("No number of insertions would decide it")
        assert not clear(MOST_INSERTIONS)


def test_what_no_number_decides_names_what_is_left():
    told = advice(budget(0.01, 0.05, 4), 4, 0.95, 1.0)
    assert told == (
        "No number of insertions would decide it: the margin is 0.05 dB, and a guard band of "
        "0.1 dB would be left, most of it from mismatch."
    )


def test_variances_of_the_mean_fall_and_the_rest_stays():
    """JCGM 100:2008, 4.2.3: s / sqrt(n), with n - 1 degrees of freedom."""
    lines = budget(0.04, 0.02, 4)
    changed = with_insertions(lines, 4, 16)
    np.testing.assert_allclose(changed[0].standard_uncertainty_db, 0.02)
    assert [line.dof for line in changed] == [15.0, 15.0, np.inf]
    for index in (1, 2):
        np.testing.assert_array_equal(
            changed[index].standard_uncertainty_db, lines[index].standard_uncertainty_db
        )


def test_a_stated_repeatability_gives_way_to_the_scatter_of_enough_insertions():
    (line, *_) = budget(0.04, 0.02, 2)
    (stated,) = [Contribution(INSERTIONS_LINE, "B", "normal", np.array([0.04]), np.inf, "station")]
    assert line.dof == 1.0
    assert with_insertions([stated], 1, 2)[0].dof == np.inf
    assert with_insertions([stated], 1, 8)[0].dof == 7.0


def test_the_whole_band_must_be_decided():
    """A second frequency that stays in doubt keeps the verdict conditional."""
    lines = budget(0.06, 0.01, 4, points=2)
    decision, _, _ = decided(lines, 0.9, 1.0)
    rule = RULE
    near = np.array([0.9, 0.99])
    total = combine(lines)
    worst = decide(
        near, total.standard_uncertainty_db, total.effective_dof, total.expanded_uncertainty_db,
        np.ones(2), rule,
    )  # fmt: skip
    both = advise(worst, lines, 4, near, np.ones(2), rule)
    one = advise(decision, lines, 4, np.array([0.9, 0.2]), np.ones(2), rule)
    assert "more insertion" in one
    assert both.startswith("No number")


@pytest.mark.parametrize("insertions", [3, 150])
def test_more_insertions_than_anybody_makes_are_still_improved_on(insertions):
    told = advice(budget(0.05, 0.001, insertions), insertions, 0.95, 1.0)
    assert "would decide it" in told


@pytest.mark.parametrize(
    ("insertions", "wanted", "dof"), [(1, 2, np.inf), (1, 3, 2.0), (2, 9, 8.0)]
)
def test_from_three_insertions_on_they_have_a_scatter_of_their_own(insertions, wanted, dof):
    """In place of what is stated, with a degree of freedom less than there are (JCGM 100:2008,
    4.2.3)."""
    stated = Contribution(INSERTIONS_LINE, "B", "normal", np.full(1, 0.1), np.inf, "stated")
    (line,) = with_insertions([stated], insertions, wanted)
    assert line.dof == dof
    assert line.standard_uncertainty_db == pytest.approx(0.1 * np.sqrt(insertions / wanted))


def exactly(lines, insertions, wanted):
    """Advice where the guard band of `wanted` insertions is a little less than the margin."""
    total = combine(with_insertions(lines, insertions, wanted))
    return advice(lines, insertions, 1.0 - 1.0001 * float(total.expanded_uncertainty_db[0]), 1.0)


def test_as_many_again_are_thought_of_where_many_were_made():
    lines = budget(0.1, 0.001, 80)
    assert exactly(lines, 80, 150).startswith("70 more insertions (150 in all)")
    assert exactly(lines, 80, 81).startswith("1 more insertion (81 in all)")
    assert exactly(lines, 80, 82).startswith("2 more insertions (82 in all)")
    assert exactly(lines, 80, 161).startswith("No number of insertions")
