"""Many campaigns at once give what each gives alone."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t

from harness.analysis.loss.evaluate import evaluate
from harness.analysis.planning.campaigns import simulate, stated_for
from harness.analysis.uncertainty.budget import FEW_FACTORS, coverage_factor
from tests.studies.coverage.scenarios import scenarios

CAMPAIGNS = 40


@settings(max_examples=15)
@given(st.sampled_from([0.5, 0.9, 0.9545, 0.99, 0.9973]), st.integers(0, 2**32 - 1))
def test_factors_of_many_are_those_of_student(probability, seed):
    """scipy.stats.t, whatever the degrees of freedom, those below 1 and none at all included."""
    rng = np.random.default_rng(seed)
    many = 1.0 / rng.uniform(1e-9, 1.2, FEW_FACTORS + 1)
    many[0] = np.inf
    expected = t.ppf(0.5 + probability / 2, many[1:])
    assert coverage_factor(many, probability)[1:] == pytest.approx(expected, rel=1e-8)
    assert coverage_factor(many)[0] == pytest.approx(coverage_factor(np.inf), rel=1e-10)


@pytest.mark.parametrize("scenario", scenarios(), ids=lambda scenario: scenario.name)
def test_columns_do_not_mix(scenario):
    """The uncertainty of a campaign is the same alone and among others."""
    world, rng = scenario.world, np.random.default_rng(9)
    readings, _ = simulate(world, scenario.plan, CAMPAIGNS, rng)
    together = evaluate(readings, stated_for(world.stated, CAMPAIGNS))
    for number in (0, CAMPAIGNS - 1):
        alone = evaluate(_column(readings, number), stated_for(world.stated, 1))
        for name in ("insertion_loss_db", "expanded_uncertainty_db", "effective_dof"):
            assert getattr(alone, name)[0] == pytest.approx(getattr(together, name)[number])


def _column(readings, number):
    return replace(
        readings,
        frequency_hz=readings.frequency_hz[[number]],
        normalization=readings.normalization[..., [number]],
        insertions=readings.insertions[..., [number]],
    )
