"""The coverage study, reduced: the GUM with all its campaigns, Monte Carlo with some campaigns of
every third scenario; of either a third in `make test`. `make coverage` has all of both."""

import numpy as np
import pytest

from harness.analysis.uncertainty.budget import combine
from tests.long_cases import long
from tests.studies.coverage.scenarios import scenarios
from tests.studies.coverage.study import LEAST, MOST_GUM, MOST_MONTE_CARLO, WIDE, carry_out

CAMPAIGNS = 4000
BY_MONTE_CARLO = 400
SURE = 0.995
"""Confidence of the interval that a share found in few campaigns stands for."""
ALL = scenarios()
FULL_LIST = {
    "3 insertions", "5 insertions", "10 insertions", "noise", "connection of the reference",
    "one through only", "drift, no check", "drift, closing check", "mismatch", "linearity",
    "pooled history, 1", "pooled history, 2", "scalar", "near 0 dB", "40 dB, noise",
    "40 dB, leakage", "mixture, 5", "drift that turns", "S11 and S22 read 3", "raw directivity",
    "S11 and S22 read 6", "S11 and S22 read 10", "one-path files",
}  # fmt: skip


SOME, FEW = ALL[::3], ALL[::9]
EACH = [*SOME, *long(*(scenario for scenario in ALL if scenario not in SOME))]
EACH_OF_SOME = [*FEW, *long(*(scenario for scenario in SOME if scenario not in FEW))]


@pytest.fixture(scope="module", params=EACH, ids=lambda scenario: scenario.name)
def made(request):
    return carry_out(request.param, CAMPAIGNS)


@pytest.fixture(scope="module", params=EACH_OF_SOME, ids=lambda scenario: scenario.name)
def one_made(request):
    return carry_out(request.param, CAMPAIGNS)


def test_the_gum_holds_what_it_says(made):
    share = made.by_gum()
    assert share.fraction >= LEAST
    if not made.scenario.is_bounded:
        assert share.fraction <= MOST_GUM


def test_monte_carlo_holds_what_it_says(one_made):
    made = one_made
    low, high = made.by_monte_carlo(BY_MONTE_CARLO, digits=1).interval(SURE)
    assert high >= LEAST
    if not made.scenario.is_mixture:
        assert low <= MOST_MONTE_CARLO


def test_without_what_dominates_the_gum_fails(made):
    """A budget that lacks the one line is caught by the very same limits."""
    assert made.by_gum(made.without_what_dominates()).fraction < LEAST


def test_where_u_is_much_more_than_was_needed_the_table_says_why(made):
    assert (made.ratio > WIDE) == bool(made.scenario.why_wide)


@pytest.mark.long
def test_without_what_dominates_monte_carlo_fails(one_made):
    made = one_made
    budget = made.without_what_dominates()
    assert made.by_monte_carlo(BY_MONTE_CARLO, digits=1, budget=budget).interval(SURE)[1] < LEAST


def test_what_is_said_to_dominate_does(made):
    """No other line is larger, counted as variance over the campaigns."""
    variance = {
        line.name: float(np.mean(np.square(line.standard_uncertainty_db)))
        for line in made.result.budget
    }
    assert max(variance.values()) == pytest.approx(variance[made.scenario.dominates])


def test_the_list_is_whole():
    names = [scenario.name for scenario in ALL]
    assert len(set(names)) == len(names)
    assert {part for part in FULL_LIST if any(name.startswith(part) for name in names)} == FULL_LIST


def test_a_stated_uncertainty_that_is_too_small_is_caught():
    """What dominates is there but understated, U by 15 %."""
    made = carry_out(next(s for s in ALL if s.name.startswith("10 insertions")), CAMPAIGNS)
    error_db, u_db = made.error_db, combine(made.result.budget).expanded_uncertainty_db
    assert np.mean(np.abs(error_db) <= 0.85 * u_db) < LEAST
