"""From a budget to an interval by either method, and to a verdict or none."""

from dataclasses import replace

import numpy as np
import pytest

from harness.analysis.loss.band import stability_of_band
from harness.analysis.loss.evaluate import evaluate
from harness.analysis.loss.plausibility import through_fault
from harness.analysis.loss.pooling import PooledRepeatability
from harness.analysis.uncertainty.conformity import DecisionRule
from tests.harness.analysis.loss.contribution_bench import ITEM, PLAIN, THROUGH, bench, stated


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


@pytest.mark.long
def test_an_item_of_hardly_any_loss_is_seldom_called_impossible():
    """200 bands of 101 frequencies whose noise is drawn anew at each, true loss 0 dB."""
    noisy = sum(
        bool(evaluate(bench(PLAIN, points=101, making_db=0.0, loss_db=0.0, noise_db=0.01,
                            seed=seed, sweeps=4), stated(101, connection_repeatability_db=1e-4)
                      ).doubts)
        for seed in range(200)
    )  # fmt: skip
    assert noisy <= 2


@pytest.mark.parametrize("method", ["gum", "monte carlo"])
def test_a_result_names_its_method_and_has_its_interval(method):
    """By the GUM loss minus and plus U; by Monte Carlo nearly so, where all is normal."""
    found = evaluate(bench(PLAIN, making_db=0.02), stated(4), method=method)
    assert found.method == method
    u_db = found.expanded_uncertainty_db
    tolerance = 1e-12 if method == "gum" else 0.05
    assert found.insertion_loss_db - found.interval_low_db == pytest.approx(u_db, rel=tolerance)
    assert found.interval_high_db - found.insertion_loss_db == pytest.approx(u_db, rel=tolerance)
    assert found.coverage_factor * found.standard_uncertainty_db == pytest.approx(u_db)


def test_a_result_has_what_it_was_judged_by():
    """The limit, and the published degrees of freedom (JCGM 100:2008, equation G.2b)."""
    limit_db = np.array([1.0, 1.1, 1.2, 1.3])
    readings = bench(PLAIN, making_db=0.02)
    found = evaluate(readings, stated(4, flexure_db=0.02), limit_db=limit_db)
    assert found.limit_db is limit_db
    # repeatability and reference rest on one estimate with four degrees of freedom
    variances = [line.standard_uncertainty_db**2 for line in found.budget if np.isfinite(line.dof)]
    total = sum(line.standard_uncertainty_db**2 for line in found.budget)
    assert found.published_dof == pytest.approx(4.0 * total**2 / sum(variances) ** 2)
    assert evaluate(readings, stated(4, rules=1)).published_dof is None


def test_the_chosen_rule_decides_and_is_named():
    """0.39 dB against 0.41 dB with U of more than 0.02 dB passes by simple acceptance only."""
    readings = bench(PLAIN, making_db=0.01, loss_db=0.39)
    verdicts = {
        name: evaluate(
            readings, stated(4), limit_db=np.full(4, 0.41), rule=DecisionRule(name)
        ).decision
        for name in ("simple acceptance", "guard band U")
    }
    assert verdicts["simple acceptance"].verdict == "pass"
    assert verdicts["simple acceptance"].rule.startswith("simple acceptance")
    assert verdicts["guard band U"].verdict != "pass"
    assert "would decide it" in verdicts["guard band U"].advice


def test_a_result_tells_when_everything_was_made():
    """Mean times of four sweeps, one a second, of connections one a minute."""
    found = evaluate(bench((THROUGH, ITEM, ITEM, THROUGH)), stated(4))
    assert found.zero_time == pytest.approx([1.5, 181.5])
    assert found.insertion_time == pytest.approx([61.5, 121.5])
    assert found.zero_change_db[0] == pytest.approx(np.zeros(4))


def test_many_sweeps_of_one_insertion_tell_how_it_held():
    held = stability_of_band(evaluate(bench((THROUGH, ITEM), sweeps=40), stated(4)))
    assert held is not None
    assert stability_of_band(evaluate(bench(PLAIN), stated(4))) is None


@pytest.mark.parametrize(("level_db", "says"), [(-59.9, ""), (-60.1, "reads -60 dB"), (0.0, "")])
def test_joined_leads_read_more_than_60_db_down(level_db, says):
    """On the median over the points: one that reads nothing is no fault of the joint."""
    transmission = np.full(5, 10 ** (level_db / 20), complex)
    transmission[0] = 1e-6
    assert says in (told := through_fault(transmission))
    assert bool(told) == bool(says)


def test_two_sweeps_are_a_series():
    assert len(evaluate(bench((THROUGH, ITEM), sweeps=2), stated(4)).series.time) == 2
    assert evaluate(bench((THROUGH, ITEM), sweeps=1), stated(4)).series is None


def test_the_series_has_the_loss_of_the_adapter_too():
    readings = bench(PLAIN)
    plain, added = (
        evaluate(readings, stated(4, through_loss_db=np.full(4, loss_db))).series
        for loss_db in (0.0, 0.05)
    )
    assert added.loss_db - plain.loss_db == pytest.approx(0.05)
    assert added.uncorrected_db - plain.uncorrected_db == pytest.approx(0.05)
