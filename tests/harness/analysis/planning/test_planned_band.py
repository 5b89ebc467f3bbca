"""What a plan predicts against what simulated campaigns come to."""

from dataclasses import replace

import numpy as np
import pytest

from harness.analysis.loss.advice import INSERTIONS_LINE, with_insertions
from harness.analysis.loss.band import Statements
from harness.analysis.loss.evaluate import evaluate
from harness.analysis.loss.pooling import PooledRepeatability
from harness.analysis.planning.campaigns import World, simulate, stated_for
from harness.analysis.planning.planned_band import (
    at_frequency,
    expected_readings,
    predict,
    verdict_chances,
    weakest,
    worst_index,
)
from harness.analysis.uncertainty.budget import Contribution, combine
from harness.analysis.uncertainty.conformity import DecisionRule, Verdict
from tests.harness.analysis.planning.campaign_steps import CampaignStep, timetable

FREQUENCY_HZ = np.array([0.9e9, 2.4e9, 5.6e9])
CAMPAIGNS = 1200
POOLED = PooledRepeatability(np.full(3, 0.02**2), 20.0, ("one", "two", "three"), ())


def stated(**changes):
    nothing = np.zeros(3)
    values = {
        "source_reflection": 0.02, "load_reflection": 0.02, "connection_repeatability_db": 0.02,
        "through_loss_db": nothing, "through_loss_limits_db": nothing + 0.01,
        "through_reflection": 0.02, "item_reflection": 0.05, "drift_db_per_hour": 0.02,
    } | changes  # fmt: skip
    return Statements(**values)


def world(loss_db=0.5, making_db=0.02, noise_db=0.003, **changes):
    own = {
        key: changes.pop(key)
        for key in ("item_reflection_true", "reads", "floor")
        if key in changes
    }
    return World(
        FREQUENCY_HZ, np.full(3, loss_db), stated(**changes), making_db, making_db, noise_db,
        noise_floor=own.get("floor", 0.0), item_reflection=own.get("item_reflection_true"),
        reads_reflections=own.get("reads", False),
    )  # fmt: skip


def steps(insertions, sweeps=4, makings=1, closing=True, wait_s=0.0):
    through = [CampaignStep("through", 4)] * makings
    wait = [CampaignStep("wait", seconds=wait_s)] if wait_s else []
    item = [CampaignStep("item", sweeps)] * insertions
    return timetable(tuple(through + wait + item + (through if closing else [])))


SCENARIOS = {
    "3 insertions": (world(), steps(3)),
    "5 insertions": (world(), steps(5)),
    "10 insertions": (world(), steps(10)),
    "through made three times": (world(), steps(5, makings=3)),
    "one insertion": (world(), steps(1)),
    "two insertions": (world(), steps(2)),
    "one insertion, pooled": (world(history=POOLED), steps(1)),
    "two insertions, pooled": (world(history=POOLED), steps(2)),
    "five insertions, pooled": (world(history=POOLED), steps(5)),
    "no closing check": (world(), steps(4, closing=False)),
    "drift": (world(drift_db_per_hour=0.1), steps(4, wait_s=7200.0)),
    "no drift stated": (world(drift_db_per_hour=None), steps(4)),
    "noise": (world(making_db=0.002, noise_db=0.05), steps(5, sweeps=3)),
    "single sweeps": (world(), steps(5, sweeps=1)),
    "mismatch": (world(source_reflection=0.1, load_reflection=0.1), steps(4)),
    "reflections read": (
        world(item_reflection=None, item_reflection_true=0.15, reads=True), steps(4)
    ),
    "40 dB": (world(40.0, floor=1e-4, isolation_db=90.0, linearity_per_10_db=0.01), steps(5)),
}  # fmt: skip


@pytest.mark.parametrize("name", SCENARIOS)
def test_predicted_uncertainty_is_the_median_of_campaigns(name):
    """Within 10 %, at every frequency."""
    bench, plan = SCENARIOS[name]
    predicted_db = predict(bench, plan).expanded_uncertainty_db
    readings, _ = simulate(bench, plan, CAMPAIGNS, np.random.default_rng(7))
    found = evaluate(readings, stated_for(bench.stated, CAMPAIGNS))
    median_db = np.median(found.expanded_uncertainty_db.reshape(CAMPAIGNS, -1), axis=0)
    np.testing.assert_allclose(predicted_db, median_db, rtol=0.10)


def test_a_typical_campaign_has_the_true_loss_and_no_chance_in_it():
    bench, plan = SCENARIOS["5 insertions"]
    first, second = (evaluate(expected_readings(bench, plan), bench.stated) for _ in range(2))
    np.testing.assert_array_equal(first.insertion_loss_db, second.insertion_loss_db)
    np.testing.assert_allclose(first.insertion_loss_db, 0.5, atol=5e-3)


def test_more_insertions_and_makings_lower_what_is_predicted():
    bench = world(making_db=0.05)
    u = [predict(bench, steps(n)).expanded_uncertainty_db[0] for n in (3, 5, 10, 20)]
    assert u == sorted(u, reverse=True)
    once, thrice = (predict(bench, steps(5, makings=m)).expanded_uncertainty_db[0] for m in (1, 3))
    assert thrice < once


def test_chances_of_verdicts_follow_the_true_loss():
    """Far from the limit the verdict is certain; on it, neither side has the better chance,
    and a clear one is rare: of each kind at most 2.5 % and a little (ILAC-G8:09/2019, 4.2.2)."""
    bench, plan = SCENARIOS["10 insertions"]
    rule, limit_db = DecisionRule(), np.full(3, 0.5)

    def chances(loss_db):
        moved = replace(bench, loss_db=np.full(3, loss_db))
        one = at_frequency(moved, 1)
        return verdict_chances(one, plan, limit_db[:1], rule, np.random.default_rng(3))

    assert chances(0.2)[Verdict.PASS] > 0.99
    assert chances(0.8)[Verdict.FAIL] > 0.99
    on_limit = chances(0.5)
    assert sum(on_limit.values()) == pytest.approx(1.0)
    assert on_limit[Verdict.PASS] < 0.035
    assert on_limit[Verdict.FAIL] < 0.035
    assert on_limit[Verdict.CONDITIONAL_PASS] == pytest.approx(0.5, abs=0.06)


def test_simple_acceptance_is_always_clear():
    bench, plan = SCENARIOS["3 insertions"]
    chances = verdict_chances(
        bench, plan, np.full(3, 0.5), DecisionRule("simple acceptance"), np.random.default_rng(3),
        campaigns=200,
    )  # fmt: skip
    assert chances[Verdict.PASS] + chances[Verdict.FAIL] == pytest.approx(1.0)


def test_one_frequency_of_a_world_is_evaluated_like_all():
    bench, plan = SCENARIOS["five insertions, pooled"]
    whole = predict(bench, plan).expanded_uncertainty_db
    for index in range(3):
        alone = predict(at_frequency(bench, index), plan).expanded_uncertainty_db
        np.testing.assert_allclose(alone, whole[index : index + 1], rtol=1e-12)


def test_the_weakest_contribution_is_the_one_without_which_u_is_least():
    """A small contribution of one degree of freedom can cost more than a greater one."""
    lines = [
        Contribution("known", "B", "normal", np.array([0.02, 0.1]), np.inf, "test"),
        Contribution("found", "A", "normal", np.array([0.015, 0.001]), 1.0, "test"),
    ]
    assert [weakest(lines, index).name for index in (0, 1)] == ["found", "known"]
    first = weakest(lines, 0)
    assert first.share == pytest.approx(0.015**2 / (0.015**2 + 0.02**2))
    assert first.expanded_without_db == pytest.approx(combine(lines[:1]).expanded_uncertainty_db[0])
    assert weakest(lines[:1], 0).expanded_without_db == 0.0


def test_the_worst_frequency_is_where_the_limit_is_nearest():
    result = predict(*SCENARIOS["5 insertions"])
    loss_db = np.array([0.5, 0.6, 0.7])
    assert worst_index(result, loss_db, np.array([1.0, 0.65, 1.0])) == 1
    assert worst_index(result, loss_db, None) == int(np.argmax(result.expanded_uncertainty_db))


@pytest.mark.parametrize(
    ("name", "insertions"),
    [
        ("3 insertions", 3),
        ("5 insertions", 5),
        ("one insertion", 1),
        ("one insertion, pooled", 1),
        ("five insertions, pooled", 5),
        ("mismatch", 4),
    ],
)
def test_advice_on_more_insertions_foresees_what_they_bring(name, insertions):
    """The budget stretched to 20 insertions against that of a campaign which has them, within
    15 %: three insertions know their own scatter no better."""
    bench, plan = SCENARIOS[name]
    result = predict(bench, plan)
    assert [line.name for line in result.budget].count(INSERTIONS_LINE) == 1
    stretched = combine(with_insertions(result.budget, insertions, 20)).expanded_uncertainty_db
    carried_out = predict(bench, steps(20)).expanded_uncertainty_db
    np.testing.assert_allclose(stretched, carried_out, rtol=0.15)
