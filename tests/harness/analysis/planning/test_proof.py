"""Coverage and wrong verdicts of many campaigns."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from harness.analysis.loss.evaluate import evaluate
from harness.analysis.planning.campaigns import simulate, stated_for
from harness.analysis.planning.proof import TRUE_LOSS_IN_U, Task, coverage, decisions
from harness.analysis.uncertainty.conformity import DecisionRule, Verdict, decide
from tests.harness.analysis.planning.campaign_steps import CampaignStep, timetable
from tests.studies.coverage.scenarios import scenarios

MANY = 100
"""Insertions, so that U is nearly exactly known."""
PLAN = timetable((*(MANY * [CampaignStep("through", 1)]), *(MANY * [CampaignStep("item", 1)])))
WORLD = replace(scenarios()[0].world, making_db=0.05, through_making_db=0.05, noise_db=1e-6)
TASK = Task(WORLD, PLAN)
BAND = replace(
    WORLD,
    frequency_hz=np.linspace(1e9, 2e9, 5),
    loss_db=np.linspace(0.30, 0.34, 5),
    noise_db=0.05,
    stated=replace(
        WORLD.stated, through_loss_db=np.zeros(5), through_loss_limits_db=np.zeros(5)
    ),
)  # fmt: skip


def test_chunks_make_no_difference_to_what_is_counted(monkeypatch):
    whole = coverage(TASK, 300, [1])
    assert whole.share.trials == 300
    assert whole.by_frequency == pytest.approx([whole.share.fraction])
    monkeypatch.setattr("harness.analysis.planning.proof.COLUMNS_AT_ONCE", 37)
    chunked = coverage(TASK, 300, [1])
    assert chunked.share.trials == 300
    assert chunked.share.fraction == pytest.approx(whole.share.fraction, abs=0.06)
    assert chunked.expanded_uncertainty_db == pytest.approx(whole.expanded_uncertainty_db, rel=0.03)


def test_the_same_seed_gives_the_same_proof():
    assert coverage(TASK, 200, [7]).share == coverage(TASK, 200, [7]).share


@pytest.mark.parametrize(
    ("rule", "band_in_u"),
    [("simple acceptance", 0.0), ("guard band U", 1.0), ("guard band for risk", 1.645 / 2.0)],
)
def test_rates_of_wrong_verdicts_are_those_of_a_normal_error(rule, band_in_u):
    """With U = 2 u nearly known, an item whose true loss is x beyond its limit passes with the
    probability that a normal error is below -(x + w) (first principles; scipy's normal)."""
    campaigns = 3000
    u_db = coverage(TASK, 300, [2]).expanded_uncertainty_db
    chosen = DecisionRule(rule, 0.05)
    judged = decisions(TASK, WORLD.loss_db + 1.0, chosen, u_db, campaigns, [3])
    for row, in_u in zip(judged.by_true_loss, TRUE_LOSS_IN_U, strict=True):
        passes = norm.cdf(-2.0 * (in_u + band_in_u))
        fails = norm.cdf(2.0 * (in_u - band_in_u))
        allowed = 4.0 * np.sqrt(0.25 / campaigns)
        assert row.passed.fraction == pytest.approx(passes, abs=allowed)
        assert row.failed.fraction == pytest.approx(fails, abs=allowed)
        assert row.passed.count + row.undecided.count + row.failed.count == campaigns
        assert row.true_loss_beyond_db == pytest.approx(in_u * u_db[0])
    assert judged.false_accept.beyond_limit_in_u == min(t for t in TRUE_LOSS_IN_U if t > 0)
    assert judged.false_reject.beyond_limit_in_u == max(t for t in TRUE_LOSS_IN_U if t <= 0)


@pytest.mark.parametrize("rule", ["simple acceptance", "guard band U", "guard band for risk"])
def test_verdicts_over_a_band_are_those_of_decide(rule):
    """The counts agree with `decide`, campaign by campaign, for the loss placed at the limit."""
    chosen, limit_db, campaigns = DecisionRule(rule, 0.05), np.full(5, 0.5), 60
    plan = timetable(
        (CampaignStep("through", 4), *(5 * [CampaignStep("item", 4)]), CampaignStep("through", 4))
    )
    judged = decisions(Task(BAND, plan), limit_db, chosen, np.full(5, 1e-6), campaigns, [4])
    at_limit = replace(BAND, loss_db=BAND.loss_db + 0.5 - BAND.loss_db.max())
    rng = np.random.Generator(np.random.SFC64([4, 0]))
    readings, _ = simulate(at_limit, plan, campaigns, rng)
    result = evaluate(readings, stated_for(at_limit.stated, campaigns))
    columns = (
        result.insertion_loss_db, result.standard_uncertainty_db, result.effective_dof,
        result.expanded_uncertainty_db,
    )  # fmt: skip
    rows = zip(*(column.reshape(campaigns, 5) for column in columns), strict=True)
    said = [decide(loss, u, dof, expanded, limit_db, chosen) for loss, u, dof, expanded in rows]
    passed = sum(decision.verdict is Verdict.PASS for decision in said)
    failed = sum(decision.verdict is Verdict.FAIL for decision in said)
    for row in judged.by_true_loss:
        assert (row.passed.count, row.failed.count) == (passed, failed)


def test_monte_carlo_is_proved_as_well():
    five = next(s for s in scenarios() if s.name.startswith("linearity"))
    by_gum = coverage(Task(five.world, five.plan), 200, [5])
    by_trials = coverage(Task(five.world, five.plan, "monte carlo"), 200, [5])
    assert by_gum.share.fraction > by_trials.share.fraction > 0.9
    assert np.all(by_trials.expanded_uncertainty_db < by_gum.expanded_uncertainty_db)
